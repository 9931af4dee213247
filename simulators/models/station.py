"""A measuring machine, timed: door or area, nest, program, run with acquisition and evaluation, result, modes.

Rules of this file:
- Orders answer at once; what takes time happens by itself. Bring the model up to date (``advance``) before every order and image.
- A machine refuses what would be wrong, and records a violation where somebody asked for something dangerous: closing onto the arm,
  starting with the door not closed, with the arm inside, on an empty nest or during another run, and measuring a part that the run
  does not name or with a program of another part type. The last two no machine can notice, so they are recorded, not refused.
- A run is executed at most once in the life of the machine, whatever is sent again.
- What makes machines differ is data (``Kind``), not a class tree.
"""

from dataclasses import dataclass
from typing import Literal

from simulators.models.agenda import Agenda
from simulators.models.door import Door, DoorState, Target
from simulators.models.floor import Floor
from simulators.models.measurement import Gauge, GivesUnit, Reading
from simulators.models.part import Parts
from simulators.models.physics import Physics, Program

Mode = Literal["automatic", "manual", "fault"]
Work = Literal["idle", "prepared", "acquiring", "evaluating", "finished", "aborted"]
Status = Literal["ok", "refused", "unknown run"]
UNFINISHED: tuple[Work, ...] = ("acquiring", "evaluating", "finished")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What one kind of machine does in its own way. ``gives``: the unit its values go out in.

    ``pallet_leaves`` "before the result": acquisition ends before evaluation does. ``keeps_program``: whether the program stays
    prepared when a result was acknowledged.
    """

    open_ms: int
    close_ms: int
    prepare_ms: int
    abort_ms: int
    pallet_leaves: Literal["before the result", "with the result"]
    keeps_program: Literal["yes", "no"]
    gives: GivesUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a machine says to an order at once."""

    status: Status
    text: str


OK = Answer(status="ok", text="")


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One execution of a program: what the start named, and the pallet that really stood in the nest."""

    run_id: str
    serial: str
    program: Program
    pallet: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What a run found. ``count`` counts the results of this machine since its start."""

    run_id: str
    serial: str
    count: int
    values: tuple[Reading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StationImage:
    """Everything that can be seen of a machine from outside, as levels. ``result`` is the last one, kept until the next.

    ``run_id`` and ``serial`` belong to ``work``; ``program`` is the prepared one (None if none); ``text`` is why it refused last.
    """

    mode: Mode
    door: DoorState
    nest: Literal["empty", "occupied"]
    work: Work
    run_id: str
    serial: str
    program: Program | None
    count: int
    result: Result | None
    text: str


class StationModel:
    """One measuring machine. It starts with what stands on the floor, in automatic, with nothing prepared."""

    def __init__(
        self, physics: Physics, *, station: str, kind: Kind, floor: Floor, parts: Parts
    ) -> None:
        self.station = station
        self.duration_factor = 1.0
        self._physics = physics
        self._kind = kind
        self._floor = floor
        self._parts = parts
        self._programs = {
            entry.name: entry for entry in physics.programs if entry.station == station
        }
        self._gauge = Gauge(physics, station=station, gives=kind.gives, seed=parts.seed)
        self._agenda = Agenda()
        travel_ms: dict[Target, int] = {"open": kind.open_ms, "closed": kind.close_ms}
        self.door = Door(station, agenda=self._agenda, floor=floor, travel_ms=travel_ms)
        self._reset()
        floor.rest(station)

    def _reset(self) -> None:
        self._mode: Mode = "automatic"
        self._work: Work = "idle"
        self._program: Program | None = None
        self._run: Run | None = None
        self._result: Result | None = None
        self._executed: set[str] = set()
        self._count = 0
        self._spoiled = 0
        self._text = ""
        self._seen: object = None
        self._image = self._look()

    # --- time and what can be seen ---

    def due_ms(self) -> int | None:
        """The next moment something happens by itself; None if nothing will."""
        return self._agenda.due_ms()

    def advance(self, now_ms: int) -> None:
        """Bring the machine up to ``now_ms``."""
        if self._work == "acquiring" and self._run and self._nest() != self._run.pallet:
            self._end_aborted("the part left the nest during the run")
        self._agenda.advance(now_ms)

    def image(self) -> StationImage:
        """What can be seen now; the same image as before as long as nothing has changed."""
        seen = (self._mode, self.door.state, self._nest() != "", self._work, self._text)
        behind = (self._run, self._program, self._count, self._result)
        if (seen, behind) != self._seen:
            self._seen = seen, behind
            self._image = self._look()
        return self._image

    def _look(self) -> StationImage:
        return StationImage(
            mode=self._mode,
            door=self.door.state,
            nest="occupied" if self._nest() else "empty",
            work=self._work,
            run_id=self._run.run_id if self._run else "",
            serial=self._run.serial if self._run else "",
            program=self._program,
            count=self._count,
            result=self._result,
            text=self._text,
        )

    def _nest(self) -> str:
        return self._floor.pallet_at(self.station)

    # --- orders ---

    def drive_door(self, target: Target) -> Answer:
        """Open or close the door, grant or withdraw the area."""
        if self._mode != "automatic":
            return self._refuse(f"in {self._mode} mode")
        if target == "open" and self._work == "acquiring":
            return self._refuse("a run is acquiring")
        obstacle = self.door.drive(target)
        if obstacle:
            self._violation(f"told to close while {obstacle}")
            return self._refuse(obstacle)
        return OK

    def prepare(self, name: str, revision: str) -> Answer:
        """Load a program; it is prepared a little later. ``revision`` must be the one the machine has ("" = whichever)."""
        program = self._programs.get(name)
        if self._mode != "automatic":
            return self._refuse(f"in {self._mode} mode")
        if self._work in UNFINISHED:
            return self._refuse(f"work is {self._work}")
        if program is None:
            return self._refuse(f"no program {name!r}")
        if revision not in {"", program.revision}:
            return self._refuse(f"program {name} is revision {program.revision}, not {revision}")
        if self._work == "prepared" and self._program is program:
            return OK
        self._forget_program()
        self._agenda.plan("prepare", self._kind.prepare_ms, lambda: self._prepared(program))
        return OK

    def prepare_number(self, number: int) -> Answer:
        """The same by number, for machines that select by number."""
        names = [entry.name for entry in self._programs.values() if entry.number == number]
        return self.prepare(names[0], "") if names else self._refuse(f"no program {number}")

    def start(self, run_id: str, serial: str, name: str = "") -> Answer:
        """Start the prepared program on what stands in the nest. ``name`` must be its name ("" = whichever)."""
        why = self._why_not_start(run_id, name) or self._danger_in_start(run_id)
        if why or self._program is None:
            return self._refuse(why)
        self._begin(run_id, serial, self._program, loading_ms=0)
        return OK

    def load_and_start(self, run_id: str, serial: str, name: str) -> Answer:
        """The same as one order that names its program: it is loaded first where it is not the prepared one, as part of the run."""
        program = self._programs.get(name)
        if program is None:
            return self._refuse(f"no program {name!r}")
        why = self._why_not_run(run_id) or self._danger_in_start(run_id)
        if why:
            return self._refuse(why)
        loading_ms = 0 if self._program is program else self._kind.prepare_ms
        self._agenda.drop("prepare")
        self._program = program
        self._begin(run_id, serial, program, loading_ms=loading_ms)
        return OK

    def abort(self, run_id: str) -> Answer:
        """End the named run without result."""
        if self._run is None or self._run.run_id != run_id:
            return Answer(status="unknown run", text=f"run {run_id!r} is not here")
        if self._work not in {"acquiring", "evaluating"}:
            return self._refuse(f"work is {self._work}")
        for entry in ("acquire", "evaluate"):
            self._agenda.drop(entry)
        self._agenda.plan(
            "abort", self._kind.abort_ms, lambda: self._end_aborted("aborted by order")
        )
        return OK

    def acknowledge(self, run_id: str) -> Answer:
        """The result of the named run, or that it was aborted, has been taken note of."""
        if self._run is None or self._run.run_id != run_id:
            return Answer(status="unknown run", text=f"run {run_id!r} is not here")
        if self._work not in {"finished", "aborted"}:
            return self._refuse(f"work is {self._work}")
        self._witness_turn("acknowledged", self._run)
        self._run = None
        if self._kind.keeps_program == "no":
            self._program = None
        self._work = "prepared" if self._program else "idle"
        return OK

    def clear_fault(self) -> Answer:
        """Go back to automatic after a fault."""
        if self._mode == "manual":
            return self._refuse("in manual mode")
        self._mode = "automatic"
        self._text = ""
        return OK

    # --- what befalls a machine: thrown by benches and tests ---

    def drift_to(self, number: str, amount: float) -> None:
        """From now on the machine reads a characteristic by so much too high, in the unit of the drawing: a bent stylus, say."""
        self._gauge.drift[number] = amount

    def befall(self, mode: Mode) -> None:
        """A person turns the key, or the machine finds a fault. Leaving automatic ends a run that is acquiring."""
        self._mode = mode
        if mode != "automatic" and self._work == "acquiring":
            self._end_aborted(f"{mode} mode during the run")

    def break_off(self) -> None:
        """The machine itself ends the present run without result, if there is one."""
        if self._work in {"acquiring", "evaluating"}:
            self._end_aborted("the machine broke the run off")

    def spoil_next(self) -> None:
        """The next result has one value of bad quality."""
        self._spoiled += 1

    # --- inside ---

    def _refuse(self, why: str) -> Answer:
        self._text = why
        return Answer(status="refused", text=why)

    def _violation(self, text: str) -> None:
        self._floor.violation(at_ms=self._agenda.now_ms, who=self.station, text=text)

    def _forget_program(self) -> None:
        self._program = None
        self._run = None
        self._work = "idle"

    def _prepared(self, program: Program) -> None:
        self._program = program
        self._work = "prepared"
        self._text = ""

    def _begin(self, run_id: str, serial: str, program: Program, *, loading_ms: int) -> None:
        self._run = Run(run_id=run_id, serial=serial, program=program, pallet=self._nest())
        self._executed.add(run_id)
        self._witness_turn("started", self._run)
        self._record_mix_up(self._run)
        self._work = "acquiring"
        self._text = ""
        self._plan_run(self._run, loading_ms)

    def _why_not_run(self, run_id: str) -> str:
        if self._mode != "automatic":
            return f"in {self._mode} mode"
        if run_id in self._executed:
            return f"run {run_id!r} has been started before"
        if self._work in UNFINISHED:
            self._violation(f"told to start {run_id!r} while work is {self._work}")
            return f"work is {self._work}"
        return ""

    def _why_not_start(self, run_id: str, name: str) -> str:
        why = self._why_not_run(run_id)
        if why:
            return why
        if self._program is None:
            return "no program is prepared"
        if name not in {"", self._program.name}:
            return f"program {self._program.name} is prepared, not {name}"
        return ""

    def _danger_in_start(self, run_id: str) -> str:
        danger = ""
        if self.door.state != "closed":
            danger = f"the door is {self.door.state}"
        elif not self._nest():
            danger = "the nest is empty"
        elif self._floor.engage(self.station) == "arm inside":
            danger = "the arm is inside"
        if danger:
            self._violation(f"told to start {run_id!r} while {danger}")
        return danger

    def _record_mix_up(self, run: Run) -> None:
        pallet = self._physics.pallet[run.pallet]
        if pallet.serial != run.serial:
            self._violation(
                f"run {run.run_id!r} names {run.serial!r}, the nest holds {pallet.serial!r}"
            )
        if pallet.part_type != run.program.part_type:
            self._violation(
                f"run {run.run_id!r} measures a {run.program.part_type}, the nest holds a {pallet.part_type}"
            )

    def _plan_run(self, run: Run, loading_ms: int) -> None:
        pace = self._gauge.pace(run.program.name, run.serial) * self.duration_factor
        before = self._kind.pallet_leaves == "before the result"
        acquire_ms = round((run.program.part_free_ms if before else run.program.result_ms) * pace)
        result_ms = round(run.program.result_ms * pace)
        self._agenda.plan(
            "acquire", loading_ms + acquire_ms, lambda: self._acquired(result_ms - acquire_ms, run)
        )

    def _acquired(self, evaluate_ms: int, run: Run) -> None:
        self._floor.rest(self.station)
        self._work = "evaluating"
        if evaluate_ms <= 0:
            self._evaluated(run)
        else:
            self._agenda.plan("evaluate", evaluate_ms, lambda: self._evaluated(run))

    def _evaluated(self, run: Run) -> None:
        pallet = self._physics.pallet[run.pallet]
        values = self._gauge.measure(
            run.program.name, run.run_id, self._parts.truth(pallet.part_type, pallet.serial)
        )
        if self._spoiled and values:
            self._spoiled -= 1
            values = (_spoiled(values[0]), *values[1:])
        self._count += 1
        self._result = Result(
            run_id=run.run_id, serial=run.serial, count=self._count, values=values
        )
        self._work = "finished"
        self._witness(run, self._result)

    def _witness(self, run: Run, result: Result) -> None:
        pallet = self._physics.pallet[run.pallet]
        fact = {
            "fact": "measured",
            "run_id": run.run_id,
            "named_serial": run.serial,
            "serial": pallet.serial,
            "part_type": pallet.part_type,
            "pallet": pallet.pallet,
            "program": run.program.name,
            "values": [
                {
                    "number": value.number,
                    "value": value.value,
                    "unit": value.unit,
                    "quality": value.quality,
                }
                for value in result.values
            ],
        }
        self._floor.witness(at_ms=self._agenda.now_ms, who=self.station, fact=fact)

    def _witness_turn(self, turn: Literal["started", "acknowledged", "aborted"], run: Run) -> None:
        fact = {
            "fact": turn,
            "run_id": run.run_id,
            "pallet": run.pallet,
            "program": run.program.name,
            "result": "kept" if self._work == "finished" else "none",
        }
        self._floor.witness(at_ms=self._agenda.now_ms, who=self.station, fact=fact)

    def _end_aborted(self, why: str) -> None:
        for entry in ("acquire", "evaluate", "abort"):
            self._agenda.drop(entry)
        self._floor.rest(self.station)
        self._work = "aborted"
        self._text = why
        if self._run is not None:
            self._witness_turn("aborted", self._run)


def _spoiled(reading: Reading) -> Reading:
    return Reading(number=reading.number, value=None, unit=reading.unit, quality="bad")
