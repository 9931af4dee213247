"""A declaration as far as it is sound: what the checks look at.

Rules of this file:
- Entries that their model refuses are left out, so that one mistake does not hide the others and no check meets half an entry.
- Names are taken from what is written, sound or not: a station with a wrong address is still a known station.
- A file that cannot be read at all is None here; what refers to it is not checked until it can be read.
"""

from collections.abc import Iterable, Mapping
from typing import TypeVar, cast

from supervisor.cell.document import validate
from supervisor.cell.fields import Declared
from supervisor.cell.kinds import Unit
from supervisor.cell.model import Measure
from supervisor.cell.profile import AnyProfile
from supervisor.cell.receivers import ReceiverEntry
from supervisor.cell.schema import (
    CharacteristicEntry,
    DecisionRuleEntry,
    ExpansionEntry,
    HandlerEntry,
    OffsetEntry,
    PlaceEntry,
    ProgramEntry,
    ReaderEntry,
    ReferenceEntry,
    RoutingEntry,
    SoakEntry,
    StationEntry,
    ToolOffsetEntry,
)
from supervisor.cell.table import Table
from supervisor.cell.value import value

E = TypeVar("E", bound=Declared)


@value
class PartTypeDraft:
    """A part type file with the sound lines of its plan."""

    part_type: str
    unit: Unit
    rule: DecisionRuleEntry | None
    expansion: ExpansionEntry | None
    soak: SoakEntry | None
    measure: Measure
    plan: tuple[CharacteristicEntry, ...]
    tool_offsets: tuple[ToolOffsetEntry, ...]
    reference: ReferenceEntry | None
    table: Table


@value
class Files:
    """What could be read as YAML: cell file, part type files, programs file, offsets file (None where there is none).

    ``unread`` names the others.
    """

    cell: Table | None
    part_types: tuple[Table, ...]
    programs: Table | None
    offsets: Table | None
    unread: tuple[str, ...]

    def rows(self, *keys: str) -> list[Table]:
        """The entries of lists in the cell file."""
        return [row for key in keys for row in (self.cell.tables(key) if self.cell else ())]

    def machines(self) -> list[Table]:
        """Stations, readers and the handler: whatever has an address and a profile."""
        handler = self.cell.table("handler") if self.cell else None
        return [*self.rows("stations", "readers"), *([handler] if handler else [])]

    def programs_written(self) -> list[Table]:
        """The entries of the programs file."""
        return self.programs.tables("programs") if self.programs else []


@value
class Declaration:
    """The sound entries of all files. ``profiles`` holds the sound profiles that are used, by name; ``today`` is YYYY-MM-DD, UTC."""

    files: Files
    handler: HandlerEntry | None
    stations: tuple[StationEntry, ...]
    readers: tuple[ReaderEntry, ...]
    places: tuple[PlaceEntry, ...]
    rule: DecisionRuleEntry
    routing: RoutingEntry
    receivers: tuple[ReceiverEntry, ...]
    part_types: tuple[PartTypeDraft, ...]
    programs: tuple[ProgramEntry, ...]
    offsets: tuple[OffsetEntry, ...]
    profiles: Mapping[str, AnyProfile]
    profile_names: tuple[str, ...]
    today: str


def declaration_of(
    files: Files, profiles: Mapping[str, AnyProfile], profile_names: Iterable[str], today: str
) -> Declaration:
    """Gather what is sound."""
    return Declaration(
        files=files,
        handler=_sound_one(files.cell, "handler", HandlerEntry),
        stations=_sound(files.rows("stations"), StationEntry),
        readers=_sound(files.rows("readers"), ReaderEntry),
        places=_sound(files.rows("places"), PlaceEntry),
        rule=_sound_one(files.cell, "decision_rule", DecisionRuleEntry) or DecisionRuleEntry(),
        routing=_sound_one(files.cell, "routing", RoutingEntry) or RoutingEntry(),
        receivers=_sound(files.rows("receivers"), ReceiverEntry),
        part_types=tuple(_draft(table) for table in files.part_types),
        programs=_sound(files.programs_written(), ProgramEntry),
        offsets=_sound(files.offsets.tables("offsets") if files.offsets else (), OffsetEntry),
        today=today,
        profiles=profiles,
        profile_names=tuple(sorted(profile_names)),
    )


def _sound(rows: Iterable[Table], model: type[E]) -> tuple[E, ...]:
    entries = (validate(row, model)[0] for row in rows)
    return tuple(entry for entry in entries if entry is not None)


def _sound_one(table: Table | None, key: str, model: type[E]) -> E | None:
    inner = table.table(key) if table else None
    return None if inner is None else validate(inner, model)[0]


def _draft(table: Table) -> PartTypeDraft:
    unit = table.text("unit")
    return PartTypeDraft(
        part_type=table.text("part_type") or "",
        unit=cast("Unit", unit) if unit in {"mm", "um", "deg"} else "mm",
        rule=_sound_one(table, "decision_rule", DecisionRuleEntry),
        expansion=_sound_one(table, "expansion", ExpansionEntry),
        soak=_sound_one(table, "soak", SoakEntry),
        measure="until_nonconforming"
        if table.text("measure") == "until_nonconforming"
        else "everything",
        plan=_sound(table.tables("plan"), CharacteristicEntry),
        tool_offsets=_sound(table.tables("tool_offsets"), ToolOffsetEntry),
        reference=_sound_one(table, "reference", ReferenceEntry),
        table=table,
    )


def texts(rows: Iterable[Table], key: str) -> frozenset[str]:
    """The texts under one key of several entries."""
    found = (row.text(key) for row in rows)
    return frozenset(text for text in found if text is not None)
