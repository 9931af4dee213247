"""The reference page is the code's own account of itself."""

from supervisor.cell.checks import CHECKS
from supervisor.cell.kinds import KINDS
from supervisor.cell.plan_checks import LINE_CHECKS
from supervisor.cell.reference import SECTIONS, reference_page


def test_the_committed_page_is_current(repository):
    page = (repository / "docs" / "reference" / "cell-file.md").read_text()

    assert page == reference_page(), (
        "run: python -m supervisor.cell.reference > docs/reference/cell-file.md"
    )


def test_the_page_has_every_key_every_kind_and_every_check():
    page = reference_page()

    for _, model in SECTIONS:
        for name, field in model.model_fields.items():
            assert f"| `{name}` |" in page
            assert field.description
    for kind in KINDS:
        assert f"| {kind} |" in page
    assert all(entry.check.__doc__ for entry in CHECKS)
    assert all(check.__doc__ for check in LINE_CHECKS)
    assert page.count("\n- ") >= len(CHECKS) + len(LINE_CHECKS) - 1
