"""The true part: what a perfect measurement would find.

Rules of this file:
- The truth follows from (seed, part type, serial number) and nothing else: every station process computes the same.
- A process has a mean off the middle, a spread, a slow drift, and a tool that wears until it is changed, each of its own per
  characteristic. The numbers are common practice for a capable process (Cp about 1.9 to 2.8), not data of a real one.
- A small share of parts is really nonconforming: one characteristic lies outside its limits by 4 to 40 % of its tolerance.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from random import Random

from simulators.models.chance import chance
from simulators.models.physics import Characteristic, PartType, Physics


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """How one characteristic comes about. ``shape`` "folded": a deviation that cannot be negative, ``middle`` its typical value.

    ``centre``, ``spread``, ``drift`` and ``wear`` are fractions of ``width``; periods and tool life count parts.
    """

    shape: str
    middle: float
    width: float
    centre: float
    spread: float
    drift: float
    drift_period: int
    wear: float
    tool_life: int
    phase: int


class Parts:
    """The true values of every part of a simulated cell."""

    def __init__(self, physics: Physics, *, seed: int) -> None:
        self.seed = seed
        self._share = physics.nonconforming_share
        self._types = physics.part_type
        self._processes = {name: _processes(entry, seed) for name, entry in self._types.items()}
        self.truth = lru_cache(maxsize=1024)(self._truth)

    def _truth(self, part_type: str, serial: str) -> dict[str, float]:
        """Number -> true value in the characteristic's unit."""
        draw = chance("part", self.seed, part_type, serial)
        sequence = int(serial) if serial.isdecimal() else draw.randrange(10_000)
        values = {
            number: _value(process, sequence, draw)
            for number, process in self._processes[part_type].items()
        }
        if draw.random() < self._share:
            _spoil(values, self._types[part_type], draw)
        return values


def _processes(part_type: PartType, seed: int) -> dict[str, Process]:
    return {
        entry.number: _process(entry, chance("process", seed, part_type.part_type, entry.number))
        for entry in part_type.characteristics
    }


def _process(characteristic: Characteristic, draw: Random) -> Process:
    folded = is_folded(characteristic)
    middle, width = _middle_and_width(characteristic)
    return Process(
        shape="folded" if folded else "normal",
        middle=middle,
        width=width,
        centre=draw.uniform(-0.08, 0.08),
        spread=draw.uniform(0.06, 0.09),
        drift=draw.uniform(0.0, 0.05),
        drift_period=draw.randrange(150, 400),
        wear=draw.choice((-1, 1)) * draw.uniform(0.02, 0.10),
        tool_life=draw.randrange(60, 200),
        phase=draw.randrange(10_000),
    )


def is_folded(characteristic: Characteristic) -> bool:
    """Whether a value cannot be negative by its nature: form, position, roughness (nominal 0, one upper limit)."""
    return (
        characteristic.nominal == 0
        and characteristic.upper is not None
        and not characteristic.lower
    )


def _middle_and_width(characteristic: Characteristic) -> tuple[float, float]:
    lower, upper, nominal = characteristic.lower, characteristic.upper, characteristic.nominal
    if is_folded(characteristic):
        assert upper is not None
        return 0.40 * upper, upper
    if lower is not None and upper is not None:
        return (lower + upper) / 2, upper - lower
    limit = upper if upper is not None else lower
    if limit is not None and limit != nominal:
        return nominal, 2 * abs(limit - nominal)
    return nominal, max(abs(nominal) * 1e-3, 1e-3)


def _value(process: Process, sequence: int, draw: Random) -> float:
    place = sequence + process.phase
    shift = process.centre + process.spread * draw.gauss(0.0, 1.0)
    shift += process.drift * math.sin(2 * math.pi * place / process.drift_period)
    shift += process.wear * (place % process.tool_life / process.tool_life - 0.5)
    value = process.middle + process.width * shift
    return abs(value) if process.shape == "folded" else value


def _spoil(values: dict[str, float], part_type: PartType, draw: Random) -> None:
    limited = [
        entry for entry in part_type.characteristics if (entry.lower, entry.upper) != (None, None)
    ]
    if not limited:
        return
    entry = draw.choice(limited)
    _, width = _middle_and_width(entry)
    excess = draw.uniform(0.04, 0.40) * width
    below = None if is_folded(entry) or entry.lower is None else entry.lower - excess
    above = None if entry.upper is None else entry.upper + excess
    values[entry.number] = draw.choice([value for value in (below, above) if value is not None])
