"""docs/explanation/campaign.md says what is injected, in the words of the code."""

from simulators.bench.faults import KINDS
from simulators.bench.sometimes import DUE


def test_the_page_lists_every_kind_of_fault(repository):
    page = (repository / "docs/explanation/campaign.md").read_text()
    rows = [line.split("|")[1:3] for line in page.splitlines() if line.startswith("| `")]
    assert [tuple(map(str.strip, row)) for row in rows] == [
        (f"`{kind}`", entry.what) for kind, entry in KINDS.items()
    ]
    assert f"of {len(KINDS)} kinds" in page
    assert f"of {len(DUE)} hit" in page
