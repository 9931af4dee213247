"""The files of a cell declaration, as pydantic models: types, words and single values only.

Rules of this file:
- What makes sense together is checked elsewhere: ``characteristic.py`` for one line of a plan, ``checks.py`` for the rest.
- Times are written in seconds, positions in whole mm, uncertainties in the unit of their characteristic.
- Each field carries the sentence that the reference page prints.
"""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from supervisor.cell.fields import (
    AboveZero,
    Address,
    Date,
    Declared,
    Exact,
    FromOne,
    FromZero,
    Gtin,
    Identifier,
    Seconds,
    Text,
    Whole,
)
from supervisor.cell.kinds import KindName, ServiceLevel, Unit
from supervisor.cell.model import REQUIRED_U_K, Coverage, Measure, SoakSince
from supervisor.cell.receivers import ReceiverEntry
from supervisor.cell.security import Security, SecurityEntry
from supervisor.cell.table import text_of

PARTS_DEFAULT = 5
WARN_DAYS_DEFAULT = 30
GRACE_MIN_DEFAULT = 60
RUNS_TO_FAIL_DEFAULT = 2
SILENCE_MS = 1_500


def _code_as_limits(written: object) -> object:
    """``limits: 25 H7`` is short for ``limits: {iso286: 25 H7}``."""
    text = text_of(written)
    return written if text is None else {"iso286": text}


class HandlerEntry(Declared):
    """What carries pallets along a rail."""

    id: Identifier = Field(description="Name of the handler.")
    url: Address = Field(description="Address of its OPC UA server.")
    profile: Identifier = Field(description="Interface profile, of kind `handler`.")
    security: Security = Field(
        default_factory=SecurityEntry, description="How the connection is secured."
    )
    silence_ms: Whole = Field(
        default=SILENCE_MS,
        description="Without a word from its server for so long, in ms, the connection counts as lost and is made anew: 300 to 10000.",
    )
    service_level: ServiceLevel = Field(
        default="heeded",
        description="`ignored` for a server that says for ever that it is under maintenance (0) or has no data (1) and is well all the same.",
    )
    jaws: Literal[1, 2] = Field(
        description="Gripping places: 1 or 2. With 2 it swaps pallets at a station."
    )
    rail_from_mm: Whole = Field(description="Lowest position that it reaches.")
    rail_to_mm: Whole = Field(description="Highest position that it reaches.")
    speed_mm_s: FromOne = Field(
        description="Speed along the rail that moves really take, acceleration included."
    )
    pick_s: Seconds = Field(
        description="Expected time for a pick, from standing before the place until clear of it."
    )
    put_s: Seconds = Field(description="Expected time for a put.")
    swap_s: Seconds | None = Field(
        default=None,
        description="Expected time for a swap: pick and put without leaving. Needed with 2 jaws.",
    )
    move_s_max: Seconds = Field(
        description="After this time a move counts as failed and a person is asked. Longer than the longest move."
    )
    settle_s_max: Seconds = Field(
        default=Decimal(30),
        description="How long after a move the presence sensors of nests and places may take to show it.",
    )


class CalibrationEntry(Declared):
    """The calibration of a station that is in force. Every record names it."""

    certificate: Text = Field(description="Number of the certificate.")
    due: Date = Field(description="Last day on which it holds (UTC), such as 2026-04-30.")
    overdue: Literal["stop", "note"] = Field(
        default="stop",
        description="`stop`: from the day after, the station measures nothing until a person answers. "
        "`note`: it goes on, and only its records tell.",
    )
    warn_days: FromZero = Field(
        default=WARN_DAYS_DEFAULT,
        description="How many days before its last day people are warned (30: common practice).",
    )


class StationEntry(Declared):
    """A measuring machine with its one nest. The nest's place has the station's id."""

    id: Identifier = Field(description="Name of the station.")
    title: Text = Field(description="What people call it.")
    kind: Identifier = Field(
        description="How it measures, in a word: `optical`, `tactile`, `ct` ..."
    )
    url: Address = Field(description="Address of its OPC UA server.")
    profile: Identifier = Field(description="Interface profile, of kind `station`.")
    security: Security = Field(
        default_factory=SecurityEntry, description="How the connection is secured."
    )
    silence_ms: Whole = Field(
        default=SILENCE_MS,
        description="Without a word from its server for so long, in ms, the connection counts as lost and is made anew: 300 to 10000.",
    )
    service_level: ServiceLevel = Field(
        default="heeded",
        description="`ignored` for a server that says for ever that it is under maintenance (0) or has no data (1) and is well all the same.",
    )
    at_mm: Whole = Field(description="Position along the rail at which it is served.")
    door_s_max: Seconds = Field(
        default=Decimal(30),
        description="After this time a door (or area grant) that was asked for counts as stuck.",
    )
    start_s_max: Seconds = Field(
        default=Decimal(30),
        description="After this time a preparation, a start or an abort without answer is doubted.",
    )
    late_factor: Exact = Field(
        default=Decimal("1.5"),
        description="A run is late after this many times its expected duration.",
    )
    serial_number: Text | None = Field(
        default=None, description="The maker's serial number; it stands in every record."
    )
    calibration: CalibrationEntry | None = Field(
        default=None, description="The calibration in force."
    )


class ReaderEntry(Declared):
    """A tag reader with its antennas."""

    id: Identifier = Field(description="Name of the reader.")
    url: Address = Field(description="Address of its OPC UA server.")
    profile: Identifier = Field(description="Interface profile, of kind `reader`.")
    security: Security = Field(
        default_factory=SecurityEntry, description="How the connection is secured."
    )
    silence_ms: Whole = Field(
        default=SILENCE_MS,
        description="Without a word from its server for so long, in ms, the connection counts as lost and is made anew: 300 to 10000.",
    )
    service_level: ServiceLevel = Field(
        default="heeded",
        description="`ignored` for a server that says for ever that it is under maintenance (0) or has no data (1) and is well all the same.",
    )
    answer_s_max: Seconds = Field(
        default=Decimal(60),
        description="After this time a reading without answer counts as failed.",
    )


class PlaceEntry(Declared):
    """A place outside the stations where a pallet can stand."""

    id: Identifier = Field(
        description="Name of the place. Places and stations share one set of names."
    )
    kind: Literal["rack", "infeed", "outfeed"] = Field(
        description="`rack`: pallets come in here and wait here between visits. `infeed`: pallets come in here, and none comes back, "
        "as on a conveyor. `outfeed`: parts leave here."
    )
    sorting: Literal["conforming", "nonconforming", "hold"] | None = Field(
        default=None,
        description="What an outfeed place accepts. Only for `outfeed`, and needed there.",
    )
    at_mm: Whole = Field(description="Position along the rail at which it is served.")
    reader: Identifier = Field(description="Tag reader that watches the place.")
    antenna: FromOne = Field(description="Number of the place's antenna at that reader.")


class DecisionRuleEntry(Declared):
    """How conformity is decided."""

    rule: Text = Field(
        default="ISO 14253-1:2017",
        description="Name of the agreed rule; it is printed on every record.",
    )
    guard_factor: Exact = Field(
        default=Decimal("1.65"),
        description="Guard band in standard uncertainties. ISO 14253-1:2017 has 1.65; 0 is simple acceptance.",
    )
    agreed_by: Text | None = Field(
        default=None,
        description="Who agreed on it, for any rule but the default one: both parties, by name or role.",
    )
    agreed_on: Date | None = Field(default=None, description="The day of that agreement.")


class UrgencyEntry(Declared):
    """How much the parts of one type press."""

    part_type: Identifier = Field(description="The part type.")
    weight: FromOne = Field(
        description="How many seconds of the whole one second of such a part is worth: 1 to 1000."
    )
    due_s: Seconds | None = Field(
        default=None,
        description="How long after it came in it is due: at most a day (86400). Needed with `due_times`, not allowed with `priority_classes`.",
    )


class RoutingEntry(Declared):
    """What routing aims at, and how far it looks ahead."""

    objective: Literal["throughput", "due_times", "priority_classes"] = Field(
        default="throughput",
        description="`throughput`: the last of the known pallets is out as early as possible. `due_times`: besides, every second that "
        "a part is late counts as its weight says. `priority_classes`: besides, every second that a part stays in the cell counts so.",
    )
    look_ahead_steps: FromZero = Field(
        default=1000,
        description="Most steps that a decision plays through, up to 100000; with 0 the simple rule decides alone. "
        "1000 steps take about 10 ms.",
    )
    urgencies: list[UrgencyEntry] = Field(
        default_factory=list[UrgencyEntry],
        description="Part types that press; those not named do not. Not with `throughput`.",
    )


class CellFile(Declared):
    """`cell.yaml`: the machines and places of the cell."""

    cell: Identifier = Field(description="Name of the cell.")
    title: Text = Field(description="What people call it.")
    decision_rule: DecisionRuleEntry = Field(
        default_factory=DecisionRuleEntry, description="How conformity is decided."
    )
    routing: RoutingEntry = Field(
        default_factory=RoutingEntry,
        description="What routing aims at, and how far it looks ahead.",
    )
    receivers: list[ReceiverEntry] = Field(
        default_factory=list[ReceiverEntry], description="Systems that messages are sent to."
    )
    handler: HandlerEntry = Field(description="What carries pallets.")
    stations: list[StationEntry] = Field(min_length=1, description="The measuring stations.")
    readers: list[ReaderEntry] = Field(min_length=1, description="The tag readers.")
    places: list[PlaceEntry] = Field(min_length=1, description="The places outside the stations.")


class LimitsEntry(Declared):
    """The limits of a characteristic, in one of four ways."""

    iso286: Text | None = Field(
        default=None,
        description="A tolerance code. `limits: 25 H7` is short for `limits: {iso286: 25 H7}`.",
    )
    lower: Exact | None = Field(default=None, description="Absolute lower limit.")
    upper: Exact | None = Field(
        default=None, description="Absolute upper limit; alone, there is no lower one."
    )
    plus_minus: AboveZero | None = Field(
        default=None, description="Half the tolerance, symmetric to the nominal."
    )
    lower_deviation: Exact | None = Field(
        default=None, description="Lower limit minus nominal, with its sign."
    )
    upper_deviation: Exact | None = Field(
        default=None, description="Upper limit minus nominal, with its sign."
    )


class DerivedEntry(Declared):
    """That a value is calculated from others of the same result. The record shows it as if the station had given it."""

    formula: Literal["position", "profile", "run-out", "form"] = Field(
        description="`position`: twice the root of the sum of squared deviations. `profile`: twice the largest deviation. "
        "`run-out`: highest less lowest value. `form`: highest less lowest deviation from the fitted element."
    )
    of: list[Text] = Field(
        min_length=1,
        description="Numbers of the components: measured characteristics with nominal and sign.",
    )


class MaterialEntry(Declared):
    """A maximum-material requirement: the actual size adds to the tolerance."""

    condition: Literal["maximum"] = Field(description="`maximum`, the M in a circle.")
    feature: Literal["internal", "external"] = Field(
        description="`internal` for a hole, `external` for a shaft."
    )
    size: Text = Field(description="Number of the size of that feature.")


class AverageEntry(Declared):
    """That the mean of two stations decides instead of the most capable one."""

    stations: list[Identifier] = Field(
        min_length=2, max_length=2, description="The two stations. Both have to measure."
    )
    correlation: Exact = Field(
        description="Correlation of their errors, from 0 up to below 1: what they share (fixture, temperature, reference part)."
    )


class ToolOffsetEntry(Declared):
    """An offset of the machine that makes the part: where a correction can be entered."""

    id: Identifier = Field(description="Name of the tool offset within this part type.")
    machine: Text = Field(description="The machine, as the shop calls it.")
    tool: Text = Field(description="The tool or its number.")
    axis: Text = Field(description="The axis or register in which it is entered.")
    unit: Unit | None = Field(
        default=None, description="UCUM unit; that of the part type if left out."
    )
    increment: AboveZero = Field(description="The smallest step that can be entered.")
    step_max: AboveZero = Field(
        description="A larger step is no correction: something broke, and people look for what."
    )
    parts_queued: FromZero = Field(
        default=0,
        description="How many parts there are at most between the machine and the cell, made before a correction and measured after it.",
    )
    parts: FromOne = Field(
        default=PARTS_DEFAULT, description="On how many parts, made in a row, advice rests."
    )


class AnswerEntry(Declared):
    """That a characteristic answers to a tool offset."""

    offset: Identifier = Field(description="The tool offset.")
    gain: Exact = Field(
        description="By how much the value changes, with its sign, when the offset grows by one: `1`, `2`, `-1` ..."
    )


class CharacteristicEntry(Declared):
    """One line of an inspection plan: one requirement of the drawing."""

    number: Text = Field(description="Number on the drawing. Text: `1.10` is not `1.1`.")
    name: Text = Field(description="What it is, in the words of the drawing.")
    kind: KindName = Field(description="What is limited.")
    nominal: Exact | None = Field(
        default=None,
        description="Nominal value. Not needed with a tolerance code, nor where it is 0 by nature.",
    )
    limits: Annotated[LimitsEntry, BeforeValidator(_code_as_limits)] = Field(
        description="The limits, or a tolerance code such as `25 H7`."
    )
    unit: Unit | None = Field(
        default=None, description="UCUM unit; that of the part type if left out."
    )
    datum: Text | None = Field(
        default=None, description="The datum or datum system as text, such as `A | B`."
    )
    need: Literal["mandatory", "informative"] = Field(
        default="mandatory", description="`informative` values are recorded and decide nothing."
    )
    required_u: AboveZero | None = Field(
        default=None,
        description="Largest expanded uncertainty (k = 2) that may decide. If left out: 15 % of the tolerance, "
        "which is a capability Q_MP of 30 % after ISO 22514-7.",
    )
    derived: DerivedEntry | None = Field(
        default=None, description="How the value follows from others, if no station gives it."
    )
    material: MaterialEntry | None = Field(
        default=None, description="The material condition of the tolerance, if it has one."
    )
    average: AverageEntry | None = Field(
        default=None,
        description="That the mean of two stations decides; the most capable one if left out.",
    )
    target: Exact | None = Field(
        default=None,
        description="Where the process shall be; the middle of the tolerance if left out. Only with `answers_to`.",
    )
    answers_to: list[AnswerEntry] = Field(
        default=[], description="The tool offsets that change it: where to correct."
    )
    after: list[Text] = Field(
        default=[],
        description="Numbers of characteristics that have to be measured before this one, as its measurement would spoil them; "
        "any order if left out.",
    )


class ExpansionEntry(Declared):
    """How lengths are brought to 20 °C where a station gives the part's temperature and has not compensated itself (ISO 1)."""

    per_million_k: AboveZero = Field(
        description="Coefficient of thermal expansion in 1e-6/K: about 11.5 for steel, 23 to 24 for aluminium."
    )
    u: AboveZero = Field(
        description="Its standard uncertainty in 1e-6/K; 1 where only the material is known (common practice)."
    )
    temperature_u: AboveZero = Field(
        description="Standard uncertainty of the part's temperature in kelvin, soaking included."
    )


class SoakEntry(Declared):
    """That a part adapts to the temperature of the cell before it is measured, as after washing or machining."""

    minutes: FromOne = Field(
        description="How long, in minutes. Until then no run is started on it. In hours common practice is: small parts under one, steel of the size of a fist 2 to 4, large castings 8 to 24."
    )
    since: SoakSince = Field(
        default="entry",
        description="`entry`: since the pallet came in. `produced`: since the production time on its tag, if that is before.",
    )


class VouchesEntry(Declared):
    """What a calibrated value speaks for in one part type."""

    part_type: Identifier = Field(description="The part type.")
    characteristics: list[Text] = Field(
        default=[], description="Numbers of its characteristics; all of them if left out."
    )


class ReferenceValueEntry(Declared):
    """A calibrated value of a reference part."""

    number: Text = Field(description="Number of the characteristic in the plan of this part type.")
    value: Exact = Field(description="The calibrated value, in the unit of the characteristic.")
    u: AboveZero = Field(
        description="Its expanded uncertainty as the certificate states it, in the same unit."
    )
    k: Exact = Field(
        default=REQUIRED_U_K, description="The coverage factor of that uncertainty, at least 1."
    )
    limit: AboveZero | None = Field(
        default=None,
        description="Largest deviation of a good check, where one was agreed that is smaller than what the uncertainties allow.",
    )
    vouches_for: list[VouchesEntry] = Field(
        default=[],
        description="What a station may not decide any more that misses this value; everything that it decides if left out.",
    )


class CheckEntry(Declared):
    """When one station is checked with the reference part. A first check is always due."""

    station: Identifier = Field(description="The station.")
    every_h: FromOne | None = Field(default=None, description="So many hours after the last check.")
    every_runs: FromOne | None = Field(
        default=None, description="So many finished runs of the station after the last check."
    )
    after: list[Literal["restart", "fault"]] = Field(
        default=[],
        description="`restart`: after each restart of the station. `fault`: after each fault of it.",
    )
    kelvin: AboveZero | None = Field(
        default=None,
        description="When the part temperature that the station gives differs by more than this from that of the last check.",
    )
    grace_min: FromZero = Field(
        default=GRACE_MIN_DEFAULT,
        description="So many minutes after a check is due the station measures on; then it waits for the check. `0`: it waits at once.",
    )
    runs_to_fail: FromOne = Field(
        default=RUNS_TO_FAIL_DEFAULT,
        description="So many runs in a row have to miss before a check has failed; the part stays in the nest for them.",
    )


class ReferenceEntry(Declared):
    """That this part type is one reference part. It rides a pallet, stays in the cell, and checks stations between other work."""

    serial: Text = Field(description="Serial number of the part, as on its tag.")
    certificate: Text = Field(description="Number of its calibration certificate.")
    due: Date = Field(description="Last day on which the certificate holds (UTC).")
    values: list[ReferenceValueEntry] = Field(
        min_length=1, description="The calibrated values that are compared."
    )
    checks: list[CheckEntry] = Field(min_length=1, description="The stations that it checks.")


class PartTypeFile(Declared):
    """`part-types/*.yaml`: one part type with its inspection plan."""

    part_type: Identifier = Field(description="Name of the part type.")
    title: Text = Field(description="What people call it.")
    gtin: Gtin = Field(description="GTIN of 14 digits, by which a tag names the part type.")
    revision: Text = Field(description="Revision of the drawing that the plan follows.")
    unit: Unit = Field(
        default="mm", description="Unit of all characteristics that do not state their own."
    )
    decision_rule: DecisionRuleEntry | None = Field(
        default=None,
        description="How conformity is decided for this part type; as in `cell.yaml` if left out.",
    )
    expansion: ExpansionEntry | None = Field(
        default=None,
        description="How the part expands. If left out, values stand as stations give them.",
    )
    soak: SoakEntry | None = Field(
        default=None,
        description="How long a part has to soak before it may be measured; at once if left out.",
    )
    measure: Measure = Field(
        default="everything",
        description="`until_nonconforming`: once a mandatory characteristic is proven nonconforming, no other one is measured any more; the record says so.",
    )
    plan: list[CharacteristicEntry] = Field(min_length=1, description="The characteristics.")
    tool_offsets: list[ToolOffsetEntry] = Field(
        default=[], description="The offsets of machines that characteristics answer to."
    )
    reference: ReferenceEntry | None = Field(
        default=None, description="That it is a reference part; a part type of parts if left out."
    )


class CoverageEntry(Declared):
    """That a program decides a characteristic, and how well."""

    number: Text = Field(description="Number of the characteristic.")
    expanded_u: AboveZero = Field(
        description="Expanded uncertainty, in the unit of the characteristic."
    )
    k: Exact | None = Field(
        default=None,
        description="Its coverage factor, at least 1; that of the program if left out.",
    )
    dof: FromOne | None = Field(
        default=None,
        description="Degrees of freedom of the uncertainty, if it comes from few values: the guard band gets wider. "
        "If left out: well known.",
    )


class ProgramEntry(Declared):
    """What one station runs for one part type."""

    id: Identifier = Field(description="Name of the program in the cell.")
    station: Identifier = Field(description="The station that runs it.")
    part_type: Identifier = Field(description="The part type that it measures.")
    name: Text = Field(description="What the station calls it.")
    number: FromZero = Field(
        default=0, description="Its number, for stations that select programs by number."
    )
    revision: Text = Field(description="Revision of the program, as the station knows it.")
    part_free_s: Seconds = Field(description="Expected time from start until the pallet may leave.")
    result_s: Seconds = Field(description="Expected time from start until the result is there.")
    k: Exact = Field(
        default=REQUIRED_U_K,
        description="Coverage factor of all uncertainties that do not state their own.",
    )
    covers: list[CoverageEntry] = Field(
        min_length=1, description="The characteristics that it decides."
    )

    def coverage(self, cover: CoverageEntry) -> Coverage:
        """One of its lines, with the coverage factor that holds for it."""
        return Coverage(
            number=cover.number,
            expanded_u=cover.expanded_u,
            k=self.k if cover.k is None else cover.k,
            dof=cover.dof,
        )


class OffsetEntry(Declared):
    """One version of an agreed offset between two stations."""

    id: Identifier = Field(
        description="Name of the offset: one characteristic of one part type at one station."
    )
    version: FromOne = Field(
        default=1, description="The highest version is in force, the others are its history."
    )
    part_type: Identifier = Field(
        description="The part type, in the state in which it is measured."
    )
    characteristic: Text = Field(description="Number of the characteristic.")
    station: Identifier = Field(description="The station whose values are corrected.")
    reference: Identifier = Field(description="The station that it was compared with.")
    bias: Exact = Field(
        description="Mean of station minus reference, with its sign, in the unit of the characteristic. It is subtracted."
    )
    u: AboveZero = Field(
        description="Standard uncertainty of the bias: that of the mean and that of the reference together."
    )
    n: FromOne = Field(description="How many parts were compared.")
    owner: Text = Field(description="Who answers for it.")
    reason: Text = Field(description="Why the stations differ.")
    agreed_on: Date = Field(description="The day from which it holds.")
    expires_on: Date = Field(
        description="Its last day (UTC). Later values of the station decide nothing."
    )


class OffsetsFile(Declared):
    """`offsets.yaml`: agreed offsets between stations. The file may be missing."""

    offsets: list[OffsetEntry] = Field(min_length=1, description="The offsets, all versions.")


class ProgramsFile(Declared):
    """`programs.yaml`: all measurement programs."""

    programs: list[ProgramEntry] = Field(min_length=1, description="The measurement programs.")
