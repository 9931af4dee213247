"""The guides to wiring a station by each shipped profile: what they have their readers write is taken, and `check` says what they quote.

Rules of this file:
- A page is tried in a small cell: its profile is put into ``profiles/``, its entry takes the place of the machine with the same id.
- Blocks are told apart by what they hold: ``profile`` makes a profile, ``id`` a machine, anything else is a mistake that is tried on top.
- A text block is quoted from `pointsman check` of what stands above it, line by line.
"""

import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from supervisor.cell.report import check_cell
from supervisor.cell.shipped import shipped_profiles

ROOT = Path(__file__).parents[3]
GUIDES = ROOT / "docs/how-to/wiring"
PAGES = sorted(path.stem for path in GUIDES.glob("*.md") if path.stem != "index")
BLOCK = re.compile(r"^```(yaml|text)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(page: str) -> list[tuple[str, str]]:
    return BLOCK.findall((GUIDES / f"{page}.md").read_text(encoding="utf-8"))


def read(text: str) -> dict[str, Any]:
    return YAML(typ="safe").load(text)


class Trial:
    """The small cell with what a page has its reader write."""

    def __init__(self, folder: Path) -> None:
        self.cell = Path(shutil.copytree(ROOT / "tests/unit/cell/small-cell", folder / "cell"))
        (self.cell / "profiles").mkdir(exist_ok=True)
        self.profile: Path | None = None
        self.mistake: dict[str, Any] = {}

    def take(self, text: str) -> None:
        content = read(text)
        if "profile" in content and "id" not in content:
            self.profile = self.cell / f"profiles/{content['profile']}.yaml"
            self.profile.write_text(text, encoding="utf-8")
        elif "id" in content:
            self._replace_machine(content)
        else:
            self.mistake = content

    def _replace_machine(self, entry: dict[str, Any]) -> None:
        path = self.cell / "cell.yaml"
        declared = read(path.read_text(encoding="utf-8"))
        if entry["id"] == declared["handler"]["id"]:
            declared["handler"] = entry
        for kind in ("stations", "readers"):
            declared[kind] = [entry if one["id"] == entry["id"] else one for one in declared[kind]]
        with path.open("w", encoding="utf-8") as file:
            YAML().dump(declared, file)

    def said(self) -> str:
        """What `check` says, of the mistake where the last block was one; that is over then."""
        if not self.mistake:
            return check_cell(self.cell).as_text()
        assert self.profile is not None
        sound = self.profile.read_text(encoding="utf-8")
        content = read(sound)
        for section, entries in self.mistake.items():
            whole = isinstance(entries, str | list) or section in ("results", "heartbeat")
            content[section] = entries if whole else {**content.get(section, {}), **entries}
        with self.profile.open("w", encoding="utf-8") as file:
            YAML().dump(content, file)
        said = check_cell(self.cell).as_text()
        self.profile.write_text(sound, encoding="utf-8")
        self.mistake = {}
        return said


def test_every_shipped_profile_has_a_guide_that_links_to_its_page():
    text = "\n".join((GUIDES / f"{page}.md").read_text(encoding="utf-8") for page in PAGES)
    for path in shipped_profiles().glob("*.yaml"):
        assert f"../../reference/profile-{path.stem}.md" in text, path.stem


@pytest.mark.parametrize("page", PAGES)
def test_what_a_guide_has_its_reader_write_is_taken_and_check_says_what_it_quotes(page, tmp_path):
    trial = Trial(tmp_path)
    quoted = 0
    for kind, text in blocks(page):
        if kind == "yaml":
            trial.take(text)
            continue
        is_mistake = bool(trial.mistake)
        said = trial.said()
        assert is_mistake != said.endswith("0 errors, 0 warnings\n"), said
        for line in filter(None, text.splitlines()):
            assert line.strip() in said, said
            quoted += 1
    assert quoted >= 2
