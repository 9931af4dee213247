"""The files of a cell folder.

Rules of this file:
- ``cell.yaml``, ``programs.yaml``, ``offsets.yaml`` where there are offsets, one file per part type in ``part-types/``, the cell's own interface profiles in ``profiles/``.
- A profile is looked for in the folder first, then among those that come with Pointsman.
- A YAML file that nobody reads is a warning: its author believes that it counts. Without ``cell.yaml`` it is the folder that is wrong,
  and nothing in it is looked for.
- Problems name files relative to the folder.
"""

from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel

from supervisor.cell.declaration import Declaration, Files, declaration_of
from supervisor.cell.document import Located, validate
from supervisor.cell.problem import Grade, Problem, choose_instead
from supervisor.cell.profile import (
    AnyProfile,
    profile_model,
    profile_problems,
    shipped_profiles,
)
from supervisor.cell.profile_checks import ProfileProblem
from supervisor.cell.profile_extends import extended
from supervisor.cell.reading import read_table
from supervisor.cell.schema import CellFile, OffsetsFile, PartTypeFile, ProgramsFile
from supervisor.cell.table import Placed, Table, entry, locate
from supervisor.cell.value import value

CELL_FILE = "cell.yaml"
PROGRAMS_FILE = "programs.yaml"
OFFSETS_FILE = "offsets.yaml"
PART_TYPES = "part-types"
PROFILES = "profiles"


@value
class ProfileFile:
    """Where a profile lies and how it is named in problems."""

    path: Path
    shown_as: str


def read_folder(folder: Path, today: str) -> tuple[Declaration, list[Problem]]:
    """Read and validate every file of a cell; the declaration holds what is sound."""
    if not folder.is_dir():
        return _no_folder(folder, today)
    reader = _FolderReader(folder)
    cell = reader.read(CELL_FILE, CellFile)
    part_types = tuple(
        table
        for path in reader.part_type_files()
        if (table := reader.read(path, PartTypeFile)) is not None
    )
    programs = reader.read(PROGRAMS_FILE, ProgramsFile)
    offsets = reader.read(OFFSETS_FILE, OffsetsFile) if (folder / OFFSETS_FILE).exists() else None
    files = Files(
        cell=cell,
        part_types=part_types,
        programs=programs,
        offsets=offsets,
        unread=tuple(sorted(reader.unread)),
    )
    available = reader.profile_files()
    profiles = reader.profiles(files, available)
    if (folder / CELL_FILE).exists():
        reader.report_strangers()
    return declaration_of(files, profiles, available, today), reader.problems


def _no_folder(folder: Path, today: str) -> tuple[Declaration, list[Problem]]:
    nothing = Files(cell=None, part_types=(), programs=None, offsets=None, unread=(folder.name,))
    problem = Problem(
        file=folder.name,
        line=1,
        column=1,
        field="",
        found="a file" if folder.exists() else "nothing",
        expected="a folder with cell.yaml, programs.yaml and part-types/",
        remedy="name the folder of a cell",
    )
    return declaration_of(nothing, {}, (), today), [problem]


class _FolderReader:
    """Reads one folder; problems gather in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.problems: list[Problem] = []
        self.unread: list[str] = []
        self._seen: set[str] = set()

    def read(self, name: str, model: type[BaseModel]) -> Table | None:
        """The mapping of one file, validated against its model."""
        self._seen.add(name)
        table, problems = read_table(self.folder / name, name)
        self.problems += problems
        if table is None:
            self.unread.append(name)
        else:
            self.problems += validate(table, model)[1]
        return table

    def part_type_files(self) -> list[str]:
        """The names of the part type files."""
        names = [f"{PART_TYPES}/{path.name}" for path in _yaml_files(self.folder / PART_TYPES)]
        if not names:
            self._report(
                PART_TYPES, "a file for each part type", "none", "add part-types/<part type>.yaml"
            )
            self.unread.append(PART_TYPES)
        return names

    def profile_files(self) -> dict[str, ProfileFile]:
        """The profiles that a machine can name, the folder's own before those that come with Pointsman."""
        shipped = {
            path.stem: ProfileFile(path=path, shown_as=f"(shipped) {path.name}")
            for path in _yaml_files(shipped_profiles())
        }
        own = {
            path.stem: ProfileFile(path=path, shown_as=f"{PROFILES}/{path.name}")
            for path in _yaml_files(self.folder / PROFILES)
        }
        return shipped | own

    def profiles(self, files: Files, available: dict[str, ProfileFile]) -> dict[str, AnyProfile]:
        """The sound ones among the profiles that machines name and that lie in the folder."""
        used = {machine.text("profile") or "" for machine in files.machines()}
        own = {name for name, file in available.items() if self.folder in file.path.parents}
        sound = {
            name: self._profile(available[name], available)
            for name in sorted((used | own) & {*available})
        }
        return {name: profile for name, profile in sound.items() if profile is not None}

    def _profile_table(self, file: ProfileFile) -> Table | None:
        """The mapping of one profile's own file."""
        self._seen.add(file.shown_as)
        table, problems = read_table(file.path, file.shown_as)
        self.problems += problems
        return None if problems else table

    def _profile(self, file: ProfileFile, available: dict[str, ProfileFile]) -> AnyProfile | None:
        own = self._profile_table(file)
        if own is None:
            return None
        table, problems = extended(
            own, lambda name: self._profile_table(available[name]), available
        )
        self.problems += problems
        if table is None:
            return None
        content, refusals = validate(table, profile_model(table.get("kind")))
        self.problems += refusals
        if not isinstance(content, AnyProfile):
            return None
        further = list(_further_problems(Located(content=content, table=table), file))
        self.problems += further
        return None if further else content

    def report_strangers(self) -> None:
        """Warn of YAML files that nobody reads."""
        for path in sorted(self.folder.rglob("*")):
            name = path.relative_to(self.folder).as_posix()
            if path.suffix.lower() in {".yaml", ".yml"} and name not in self._seen:
                known = [CELL_FILE, PROGRAMS_FILE, OFFSETS_FILE, f"{PART_TYPES}/{path.stem}.yaml"]
                self._report(
                    name,
                    "a file of a cell",
                    "a name that is not read",
                    choose_instead(name, known, "move it to part-types or profiles, or remove it"),
                    "warning",
                )

    def _report(
        self, file: str, expected: str, found: str, remedy: str, grade: Grade = "error"
    ) -> None:
        self.problems.append(
            Problem(
                file=file,
                line=1,
                column=1,
                field="",
                found=found,
                expected=expected,
                remedy=remedy,
                grade=grade,
            )
        )


def _further_problems(located: Located[AnyProfile], file: ProfileFile) -> Iterator[Problem]:
    profile = located.content
    if profile.profile != file.path.stem:
        yield located.problem(
            ("profile",),
            expected=f"the name of the file, {file.path.stem}",
            remedy="rename the file or the profile: machines name the file",
        )
    for found in profile_problems(profile):
        said = f"{found.found}{_origins(located.table, found)}"
        yield located.problem(found.path, expected=found.expected, found=said, remedy=found.remedy)


def _origins(table: Table, problem: ProfileProblem) -> str:
    """Where the two entries of a clash stand, if one of them was taken over from another profile."""
    if not problem.beside:
        return ""
    said: list[str] = []
    elsewhere = False
    for path in (problem.path, problem.beside):
        stated = entry(*locate(table, path))
        if isinstance(stated, Placed):
            elsewhere = elsewhere or stated.file != table.file
            name = ".".join(str(step) for step in path)
            said.append(f"`{name}` stands in {stated.file}, line {stated.mark.line}")
    return f" ({'; '.join(said)})" if elsewhere else ""


def _yaml_files(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.yaml")) if folder.is_dir() else []
