"""What an integrator has declared, after loading and checking: plain immutable values.

Rules of this file:
- Standard library only: the core reads these values, and the core knows no pydantic.
- A nest has no name of its own: a station has one nest and the nest's place id is the station's id.
- Every tuple is sorted by id, so that nobody has to sort again before choosing.
- Lengths in mm and times in ms unless the name says otherwise; limits are exact decimals in the characteristic's unit.
"""

from collections.abc import Mapping, Set
from decimal import Context, Decimal
from types import MappingProxyType
from typing import Literal

from supervisor.cell.value import value

PlaceKind = Literal["rack", "infeed", "outfeed"]
Sorting = Literal["conforming", "nonconforming", "hold"]
NaturalLimit = Literal["none", "zero"]
Need = Literal["mandatory", "informative"]
SoakSince = Literal["entry", "produced"]
Measure = Literal["everything", "until_nonconforming"]

EXACT = Context(prec=60)  # more digits than any declared number, so sums and products do not round
REQUIRED_U_K = Decimal(2)
"""The coverage factor of every required uncertainty."""


Formula = Literal["position", "profile", "run-out", "form"]
SENSITIVITY: MappingProxyType[Formula, Decimal] = MappingProxyType(
    {
        "position": Decimal(2),
        "profile": Decimal(2),
        "run-out": Decimal("1.4142135624"),
        "form": Decimal("1.4142135624"),
    }
)
"""By how many times the largest standard uncertainty of its components a derived value may be uncertain at most.

Position: 2 sqrt(dx2 ux2 + dy2 uy2) / r is at most 2 max(u). Run-out and form: sqrt(u1^2 + u2^2), rounded up. Components uncorrelated.
"""


@value
class Derived:
    """That a characteristic is calculated from measured ones of the same plan: a formula and their numbers."""

    formula: Formula
    of: tuple[str, ...]


@value
class Material:
    """A maximum-material requirement: the tolerance grows with the distance of the actual ``size`` from its maximum-material limit."""

    feature: Literal["internal", "external"]
    size: str


@value
class Average:
    """That the mean of two stations decides, whose errors have this correlation."""

    stations: tuple[str, str]
    correlation: Decimal


@value
class Answer:
    """That a characteristic answers to a tool offset: one unit more of the offset changes the value by ``gain``, sign included."""

    offset: str
    gain: Decimal


@value
class ToolOffset:
    """An offset of a machine that makes the part, in ``unit``.

    ``increment`` is the smallest step that can be set, ``step_max`` the largest that counts as a correction; ``parts_queued`` is how
    many parts there are at most between the machine and the cell; advice rests on ``parts`` parts.
    """

    offset: str
    machine: str
    tool: str
    axis: str
    unit: str
    increment: Decimal
    step_max: Decimal
    parts_queued: int
    parts: int


@value
class Characteristic:
    """One requirement of the drawing. ``lower``/``upper`` are absolute limits in ``unit``; None means no limit on that side.

    ``natural_limit`` is "zero" where the value cannot be negative by its nature (form, position, roughness).
    ``required_u`` is an expanded uncertainty (k = 2) that a deciding program must not exceed (``Coverage.decides``).
    ``answers`` names the tool offsets that it answers to, and ``target`` is where the process shall be (None = it answers to nothing).
    ``after`` are the numbers of those that have to be measured before it.
    """

    number: str
    name: str
    kind: str
    nominal: Decimal
    lower: Decimal | None
    upper: Decimal | None
    unit: str
    datum: str
    need: Need
    natural_limit: NaturalLimit
    required_u: Decimal
    derived: Derived | None = None
    material: Material | None = None
    average: Average | None = None
    target: Decimal | None = None
    answers: tuple[Answer, ...] = ()
    after: tuple[str, ...] = ()


@value
class DecisionRule:
    """How conformity is decided. ``guard_factor`` times the standard uncertainty is the guard band (ISO 14253-1:2017: 1.65).

    ``agreed_by`` and ``agreed_on`` (YYYY-MM-DD) say who agreed on a rule other than the default one, and when ("" = nobody had to).
    """

    rule: str
    guard_factor: Decimal
    agreed_by: str = ""
    agreed_on: str = ""


@value
class Expansion:
    """How a part expands: coefficient per kelvin with its standard uncertainty, and the standard uncertainty of a part's temperature in K."""

    per_k: Decimal
    u_per_k: Decimal
    temperature_u_k: Decimal


@value
class Soak:
    """How long a part adapts to the temperature of the cell before it may be measured, from its entry or from the time on its tag."""

    ms: int
    since: SoakSince


@value
class Vouched:
    """A characteristic of a part type that a reference value speaks for."""

    part_type: str
    number: str


@value
class ReferenceValue:
    """A calibrated value of a reference part with its expanded uncertainty, in the unit of the characteristic.

    ``limit`` is a deviation that a good check must not exceed whatever the uncertainties allow (None = none agreed). ``vouches_for`` is
    what a station may no longer decide when it misses this value; () is everything that it decides.
    """

    number: str
    value: Decimal
    expanded_u: Decimal
    k: Decimal
    limit: Decimal | None = None
    vouches_for: tuple[Vouched, ...] = ()


CheckTrigger = Literal["restart", "fault"]


@value
class CheckRule:
    """When a station is checked with a reference part (0 and None: not for that reason).

    ``after`` are events that make a check due; ``kelvin`` is by how much the part temperature may have changed since the last one.
    For ``grace_ms`` after a check is due the station measures on. ``runs_to_fail`` runs in a row have to miss.
    """

    station: str
    every_ms: int
    every_runs: int
    after: tuple[CheckTrigger, ...]
    kelvin: Decimal | None
    grace_ms: int
    runs_to_fail: int


@value
class Reference:
    """That a part type is one reference part: its serial number, its certificate with its last day (YYYY-MM-DD, UTC), values and checks."""

    serial: str
    certificate: str
    due: str
    values: tuple[ReferenceValue, ...]
    checks: tuple[CheckRule, ...]


@value
class PartType:
    """A part type with its inspection plan. ``gtin`` (14 digits) is how a tag names it; ``revision`` is the plan's revision.

    ``rule`` is the decision rule of this plan; None = that of the cell. ``tool_offsets`` are those that its characteristics answer to.
    ``expansion`` says how lengths of the part are brought to 20 degrees (None = they are not).
    ``reference`` makes it a reference part, which stays in the cell and gets no verdict. ``measure`` says whether measuring goes on when a
    mandatory characteristic is proven nonconforming; ``soak`` what goes before measuring (None = nothing).
    """

    part_type: str
    title: str
    gtin: str
    revision: str
    plan: tuple[Characteristic, ...]
    rule: DecisionRule | None = None
    tool_offsets: tuple[ToolOffset, ...] = ()
    expansion: Expansion | None = None
    reference: Reference | None = None
    measure: Measure = "everything"
    soak: Soak | None = None


@value
class Offset:
    """An agreed difference between two stations for one characteristic of one part type, in the characteristic's unit.

    ``bias`` is the mean of station minus reference over ``n`` parts, with standard uncertainty ``standard_u``; it is subtracted from
    what ``station`` gives. It holds from ``agreed_on`` up to and including ``expires_on`` (YYYY-MM-DD, UTC). The highest version of an
    offset is in force.
    """

    offset: str
    version: int
    part_type: str
    number: str
    station: str
    reference: str
    bias: Decimal
    standard_u: Decimal
    n: int
    owner: str
    reason: str
    agreed_on: str
    expires_on: str

    @property
    def title(self) -> str:
        """Id and version, as records name it."""
        return f"{self.offset} v{self.version}"


@value
class Coverage:
    """That a program measures a characteristic, and how well: expanded uncertainty in the characteristic's unit with factor k.

    ``dof`` are the degrees of freedom of the uncertainty; None = well known. ``offset`` corrects every value; its uncertainty is part
    of ``expanded_u`` already.
    """

    number: str
    expanded_u: Decimal
    k: Decimal
    dof: int | None = None
    offset: Offset | None = None

    def decides(self, required_u: Decimal) -> bool:
        """Whether the uncertainty, brought to k = 2, is within the required one. Products instead of quotients: nothing rounds."""
        stated = EXACT.multiply(self.expanded_u, REQUIRED_U_K)
        return stated <= EXACT.multiply(required_u, self.k)


@value
class Program:
    """A measurement program of one station for one part type.

    ``part_free_ms`` is the expected time from start until the pallet may leave; ``result_ms`` until the result is there
    (at least ``part_free_ms``). ``name`` and ``revision`` are what the station knows it by; ``number`` for stations that take integers.
    """

    program: str
    station: str
    part_type: str
    name: str
    number: int
    revision: str
    covers: tuple[Coverage, ...]
    part_free_ms: int
    result_ms: int


@value
class Station:
    """A measuring machine with its one nest. ``at_mm`` is its handover position along the handler's rail.

    ``serial_number`` is the maker's; ``calibration`` names the certificate in force and ``calibration_due`` (YYYY-MM-DD) its last day
    (UTC; "" where nothing is declared). Records carry all three. Whether the station ``stops`` after that day says
    ``calibration_overdue``; ``calibration_warn_days`` before it people are warned. ``start_twice`` says what becomes of a start with one
    run id that comes twice, as the profile tells.
    """

    station: str
    title: str
    kind: str
    url: str
    profile: str
    at_mm: int
    door_ms_max: int
    start_ms_max: int
    late_factor: Decimal
    serial_number: str = ""
    calibration: str = ""
    calibration_due: str = ""
    calibration_overdue: Literal["stops", "noted"] = "noted"
    calibration_warn_days: int = 0
    start_twice: Literal["one run", "unknown"] = "unknown"


@value
class Place:
    """A place outside the stations. ``sorting`` tells what an outfeed place accepts; "" for any other.

    Pallets come in at a rack place, and may come back to it, or at an infeed place, to which nothing comes back.

    ``reader`` is the tag reader that watches the place, ``antenna`` its number at that reader.
    """

    place: str
    kind: PlaceKind
    sorting: Sorting | Literal[""]
    at_mm: int
    reader: str
    antenna: int


@value
class Reader:
    """A tag reader: reports presence at its places and reads their tags. ``answer_ms_max`` is how long a reading may take."""

    reader: str
    url: str
    profile: str
    answer_ms_max: int = 60_000


@value
class Handler:
    """What carries pallets: one or two jaws on a rail. Times are expectations; ``move_ms_max`` is when we stop believing.

    ``settle_ms_max`` is how long after a move the presence sensors of nests and places may take to show it.
    """

    handler: str
    url: str
    profile: str
    jaws: Literal[1, 2]
    rail_from_mm: int
    rail_to_mm: int
    speed_mm_s: int
    pick_ms: int
    put_ms: int
    swap_ms: int
    move_ms_max: int
    settle_ms_max: int = 30_000

    def travel_ms(self, from_mm: int, to_mm: int) -> int:
        """Expected travel time in ms between two positions along the rail."""
        return abs(to_mm - from_mm) * 1000 // self.speed_mm_s


@value
class Urgency:
    """How much the parts of one type press: from ``due_ms`` after a part came in, each ms until it is out counts ``weight`` times."""

    part_type: str
    due_ms: int
    weight: int


Objective = Literal["throughput", "due_times", "priority_classes"]


@value
class Routing:
    """What routing aims at, and how many steps it may play through before it decides (0: its simple rule decides alone).

    Of ``due_times`` and ``priority_classes`` the urgencies tell; with ``throughput`` there are none.
    """

    objective: Objective = "throughput"
    look_ahead_steps: int = 0
    urgencies: tuple[Urgency, ...] = ()


@value
class Cell:
    """One whole declared cell. ``digest`` is the SHA-256 of its canonical form: the revision that records name.

    ``offsets`` holds every version; those in force stand in the coverages of the programs as well.
    """

    cell: str
    title: str
    digest: str
    handler: Handler
    stations: tuple[Station, ...]
    places: tuple[Place, ...]
    readers: tuple[Reader, ...]
    part_types: tuple[PartType, ...]
    programs: tuple[Program, ...]
    rule: DecisionRule
    offsets: tuple[Offset, ...] = ()
    routing: Routing = Routing()


def racks_for_parts(cell: Cell) -> int:
    """How many rack places there are beside those that reference parts keep, which stay in the cell; negative where there are too few."""
    racks = sum(place.kind == "rack" for place in cell.places)
    return racks - sum(part.reference is not None for part in cell.part_types)


# --- precedence ---------------------------------------------------------------------------------------------------------------


@value
class Reach:
    """What a program decides of a plan, and all that it measures of it: a value that decides nothing spoils, too."""

    decides: frozenset[str]
    measures: frozenset[str]

    def awaits(self, still_open: Set[str], after: Mapping[str, Set[str]]) -> frozenset[str]:
        """What has to be measured before the program runs, of what is open; what it decides itself left out."""
        touched = (self.decides | self.measures) & still_open
        sooner = frozenset(number for each in touched for number in after[each])
        return (sooner & still_open) - self.decides


def left_waiting(
    programs: Mapping[str, Reach], after: Mapping[str, Set[str]]
) -> tuple[dict[str, frozenset[str]], frozenset[str]]:
    """What programs are left waiting for in the end, and what is open by then, if each is run as soon as it may: running more closes no way.

    Programs that would decide nothing more are left out.
    """
    still_open = frozenset(after)
    left = sorted(name for name in programs if programs[name].decides)
    while True:
        able = [name for name in left if not programs[name].awaits(still_open, after)]
        if not able:
            waits = {
                name: programs[name].awaits(still_open, after)
                for name in left
                if programs[name].decides & still_open
            }
            return waits, still_open
        left.remove(able[0])
        still_open -= programs[able[0]].decides
