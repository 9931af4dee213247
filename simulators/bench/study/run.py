"""All shifts of a study, in several processes.

Rules of this file: one job is one variant with one seed. Jobs do not know each other, so their order and the number of processes change
no figure.
"""

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from typing import Any

from simulators.bench.study.play import play
from simulators.bench.study.results import Finding, finding
from simulators.bench.study.wishes import Variant
from supervisor.cell.model import Cell
from supervisor.shift.fold import ShiftFigures


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A whole study: what was asked, and one finding per variant, the cell as declared first. ``queue_at``: where pallets wait, like "in the rack"."""

    cell: str
    title: str
    hours: float
    supply: str
    queue_at: str
    seeds: tuple[int, ...]
    findings: tuple[Finding, ...]

    def as_json(self) -> dict[str, Any]:
        """JSON-ready fields."""
        return {
            "cell": self.cell,
            "title": self.title,
            "hours": self.hours,
            "supply": self.supply,
            "seeds": list(self.seeds),
            "variants": [each.as_json() for each in self.findings],
        }


def study(
    variants: Sequence[Variant],
    seeds: Sequence[int],
    processes: int,
    tell: Callable[[int, int], None],
) -> Study:
    """Play every variant with every seed; ``tell`` hears how many of how many shifts are done."""
    jobs = [(variant, seed) for variant in variants for seed in seeds]
    played = _played(jobs, min(processes, len(jobs)), tell)
    by_variant = [played[at * len(seeds) : (at + 1) * len(seeds)] for at in range(len(variants))]
    wishes = variants[0].wishes
    return Study(
        cell=wishes.cell.cell,
        title=wishes.cell.title,
        hours=wishes.hours,
        supply=_supply(variants[0]),
        queue_at=_queue_at(wishes.cell),
        seeds=tuple(seeds),
        findings=tuple(
            finding(variant.name, shifts, by_variant[0] if at else None, due_ms)
            for at, (variant, shifts, due_ms) in enumerate(
                zip(variants, by_variant, due_times(variants), strict=True)
            )
        ),
    )


def due_times(variants: Sequence[Variant]) -> list[dict[str, int]]:
    """When parts of each type are late, in ms after they came in, for each variant.

    That is what the variant itself says. A part type of which it says nothing is judged by the cell as declared, or else by the first variant
    that says something: so throughput is seen beside due times.
    """
    own = [
        {
            each.part_type: each.due_ms
            for each in variant.wishes.cell.routing.urgencies
            if each.due_ms
        }
        for variant in variants
    ]
    common: dict[str, int] = {}
    for each in reversed(own):
        common |= each
    return [common | each for each in own]


def _queue_at(cell: Cell) -> str:
    kinds = {place.kind for place in cell.places}
    if "infeed" not in kinds:
        return "in the rack"
    return "at the infeed and in the rack" if "rack" in kinds else "at the infeed"


def _supply(variant: Variant) -> str:
    wishes = variant.wishes
    fed = any(place.kind == "infeed" for place in wishes.cell.places)
    one = wishes.pallets == 1
    many = f"{wishes.pallets} pallet{'' if one else 's'}" if wishes.pallets else "pallets"
    if wishes.every_s:
        return f"{many} come{'s' if one else ''}, one every {wishes.every_s:g} s"
    return f"{many} {'is' if one else 'are'} brought whenever the {'infeed' if fed else 'rack'} has room"


def _played(
    jobs: Sequence[tuple[Variant, int]], processes: int, tell: Callable[[int, int], None]
) -> list[ShiftFigures]:
    tell(0, len(jobs))
    if processes <= 1:
        alone: list[ShiftFigures] = []
        for variant, seed in jobs:
            alone.append(play(variant.wishes, seed))
            tell(len(alone), len(jobs))
        return alone
    # Fresh processes: a fork would take the threads of whoever calls with it.
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        try:
            futures = [pool.submit(play, variant.wishes, seed) for variant, seed in jobs]
            for done, _ in enumerate(as_completed(futures), start=1):
                tell(done, len(jobs))
            return [future.result() for future in futures]
        except BaseException:
            # Who presses Ctrl-C waits for no shift: the pool alone would have all of them run.
            pool.shutdown(wait=False, cancel_futures=True)
            for child in set(multiprocessing.active_children()) - others:
                child.terminate()
            raise
