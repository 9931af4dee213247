"""Names: each once, and none that nobody declared.

Rules of this file:
- Names are compared as written, in sound and unsound entries alike.
- A reference is checked only where the file that would declare it can be read (the table of checks sees to that).
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator

from supervisor.cell.declaration import Declaration, texts
from supervisor.cell.fields import endpoint
from supervisor.cell.problem import Problem, choose_instead, one_of
from supervisor.cell.table import Table

Named = tuple[str, Table]


def names_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """Handler, stations, readers and places have different names: a place is found by its name alone."""
    files = declaration.files
    entries = [*files.machines(), *files.rows("places")]
    yield from _doubles(_by_text(entries, "id"), "id", "each name once in the cell")


def part_types_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """Each part type is declared in one file, and each GTIN names one part type."""
    tables = declaration.files.part_types
    yield from _doubles(_by_text(tables, "part_type"), "part_type", "each part type once")
    yield from _doubles(_by_text(tables, "gtin"), "gtin", "a GTIN of its own")


def numbers_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """A number is given once in a plan."""
    for table in declaration.files.part_types:
        lines = table.tables("plan")
        yield from _doubles(_by_text(lines, "number"), "number", "each number once in a plan")


def programs_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """A program has an id of its own; its name and its number mean one program at a station."""
    programs = declaration.files.programs_written()
    yield from _doubles(_by_text(programs, "id"), "id", "each program id once")
    for mine in _grouped(programs, "station"):
        yield from _doubles(_by_text(mine, "name"), "name", "each name once at a station")
        numbered = [named for named in _by_text(mine, "number") if named[0] != "0"]
        yield from _doubles(numbered, "number", "each number once at a station")


def covers_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """A program states one uncertainty for a characteristic."""
    for program in declaration.files.programs_written():
        covers = program.tables("covers")
        yield from _doubles(_by_text(covers, "number"), "number", "each number once in a program")


def antennas_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """An antenna watches one place."""
    for places in _grouped(declaration.files.rows("places"), "reader"):
        yield from _doubles(_by_text(places, "antenna"), "antenna", "an antenna of its own")


def addresses_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """Two stations never answer at one address; handler and readers may share a server if their profiles differ."""
    others = [*declaration.readers, *([declaration.handler] if declaration.handler else [])]
    stations = [(endpoint(entry.url), entry.where) for entry in declaration.stations]
    shared = [(f"{endpoint(entry.url)} {entry.profile}", entry.where) for entry in others]
    yield from _doubles([*stations, *shared], "url", "an address of its own")


def programs_refer_to_what_is_declared(declaration: Declaration) -> Iterator[Problem]:
    """A program names a declared station and a declared part type, and covers characteristics of that part type."""
    files = declaration.files
    stations = texts(files.rows("stations"), "id")
    part_types = texts(files.part_types, "part_type")
    for program in files.programs_written():
        yield from _unknown(program, "station", stations, "station")
        yield from _unknown(program, "part_type", part_types, "part type")
        part_type = program.text("part_type")
        plans = [table for table in files.part_types if table.text("part_type") == part_type]
        numbers = texts((line for table in plans for line in table.tables("plan")), "number")
        for cover in program.tables("covers"):
            yield from _unknown(cover, "number", numbers, "characteristic of the part type")


def places_refer_to_readers(declaration: Declaration) -> Iterator[Problem]:
    """A place names a declared tag reader."""
    readers = texts(declaration.files.rows("readers"), "id")
    for place in declaration.files.rows("places"):
        yield from _unknown(place, "reader", readers, "reader")


def profiles_are_known(declaration: Declaration) -> Iterator[Problem]:
    """A machine names a profile that lies in the cell's profiles folder or comes with Pointsman."""
    for machine in declaration.files.machines():
        yield from _unknown(machine, "profile", declaration.profile_names, "profile")


def profiles_are_of_the_right_kind(declaration: Declaration) -> Iterator[Problem]:
    """A station has a station profile, the handler a handler profile, a reader a reader profile."""
    files = declaration.files
    handler = files.cell.table("handler") if files.cell else None
    wanted = [(row, "station") for row in files.rows("stations")]
    wanted += [(row, "reader") for row in files.rows("readers")]
    wanted += [(handler, "handler")] if handler else []
    for machine, kind in wanted:
        profile = declaration.profiles.get(machine.text("profile") or "")
        if profile is not None and profile.kind != kind:
            fitting = [name for name, p in declaration.profiles.items() if p.kind == kind]
            yield machine.problem(
                "profile",
                expected=f"a profile of kind {kind}",
                found=f"{profile.profile}, which is of kind {profile.kind}",
                remedy=f"write {one_of(fitting)}" if fitting else "name another profile",
            )


def _by_text(rows: Iterable[Table], key: str) -> list[Named]:
    named = ((row.text(key), row) for row in rows)
    return [(text, row) for text, row in named if text is not None]


def _grouped(rows: Iterable[Table], key: str) -> list[list[Table]]:
    groups: defaultdict[str, list[Table]] = defaultdict(list)
    for text, row in _by_text(rows, key):
        groups[text].append(row)
    return [groups[text] for text in sorted(groups)]


def _doubles(named: Iterable[Named], key: str, expected: str) -> Iterator[Problem]:
    first: dict[str, Table] = {}
    for text, row in named:
        earlier = first.setdefault(text, row)
        if earlier is not row:
            line = earlier.marks[key].line
            yield row.problem(
                key,
                expected=expected,
                found=f"{row.text(key)} again (first in {earlier.file}, line {line})",
                remedy="change one of the two",
            )


def _unknown(row: Table, key: str, known: Iterable[str], what: str) -> Iterator[Problem]:
    """A name that is not known. Where none is known at all, that is the problem, and it is given elsewhere."""
    text, known = row.text(key), sorted(known)
    if text and known and text not in known:
        yield row.problem(
            key,
            expected=f"a declared {what} ({one_of(known)})",
            found=text,
            remedy=choose_instead(text, known, "declare it, or correct the name"),
        )
