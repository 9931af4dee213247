"""What a station finds: truth plus its bias plus noise.

Rules of this file:
- With standard uncertainty u = U/k the bias of a program at a characteristic is rectangular with standard deviation 0.6 u and
  stays for good, the noise of a run is normal with 0.8 u: together exactly u, since 0.36 + 0.64 = 1 (JCGM 100:2008, 5.1.2; a
  rectangular half-width is sqrt(3) standard deviations, 4.3.7; clauses from memory). So a stated U is honest, and no station is
  right on average at every characteristic.
- Bias follows from (seed, station, program, number), noise from (seed, station, run id): the same run measures the same.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from simulators.models.chance import chance
from simulators.models.part import is_folded
from simulators.models.physics import MM_PER, Characteristic, Coverage, Physics, Program

BIAS_SHARE = 0.6
NOISE_SHARE = 0.8
PACE_SPREAD = 0.02
"""Standard deviation of a run's real duration about the declared one (our choice)."""

GivesUnit = Literal["as drawn", "mm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured value as it goes out; ``value`` is None where the station found nothing (``quality`` "bad")."""

    number: str
    value: float | None
    unit: str
    quality: Literal["good", "uncertain", "bad"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Probe:
    """One characteristic of one program, ready to be measured; ``factor`` converts to the unit that goes out."""

    number: str
    bias: float
    noise: float
    folded: bool
    factor: float
    unit: str


class Gauge:
    """The metrology of one station."""

    def __init__(self, physics: Physics, *, station: str, gives: GivesUnit, seed: int) -> None:
        self._seed = seed
        self.drift: dict[str, float] = {}
        """What is added to every reading by now, by characteristic, in the unit of the drawing: nothing at first."""
        self._station = station
        self._probes = {
            program.name: tuple(
                self._probe(physics, program, entry, gives) for entry in program.covers
            )
            for program in physics.programs
            if program.station == station
        }

    def _probe(
        self, physics: Physics, program: Program, coverage: Coverage, gives: GivesUnit
    ) -> _Probe:
        characteristic = _characteristic(physics, program.part_type, coverage.number)
        factor = MM_PER[characteristic.unit] if gives == "mm" else 1.0
        standard_u = coverage.expanded_u / coverage.k
        half_width = math.sqrt(3) * BIAS_SHARE * standard_u
        draw = chance("bias", self._seed, self._station, program.name, coverage.number)
        return _Probe(
            number=coverage.number,
            bias=draw.uniform(-half_width, half_width),
            noise=NOISE_SHARE * standard_u,
            folded=is_folded(characteristic),
            factor=factor,
            unit="mm" if gives == "mm" else characteristic.unit,
        )

    def measure(self, program: str, run_id: str, truth: Mapping[str, float]) -> tuple[Reading, ...]:
        """One reading per characteristic of the program; one that the part does not have is bad."""
        draw = chance("noise", self._seed, self._station, run_id)
        return tuple(
            _reading(
                probe,
                truth.get(probe.number),
                draw.gauss(0.0, 1.0),
                self.drift.get(probe.number, 0.0),
            )
            for probe in self._probes[program]
        )

    def pace(self, program: str, serial: str) -> float:
        """How long a run really takes, as a factor of the declared duration; the same part takes the same time again."""
        draw = chance("pace", self._seed, self._station, program, serial).gauss(0.0, PACE_SPREAD)
        return 1.0 + max(-3 * PACE_SPREAD, min(3 * PACE_SPREAD, draw))


def _characteristic(physics: Physics, part_type: str, number: str) -> Characteristic:
    entries = physics.part_type[part_type].characteristics
    return next(entry for entry in entries if entry.number == number)


def _reading(probe: _Probe, true_value: float | None, noise: float, drift: float) -> Reading:
    if true_value is None:
        return Reading(number=probe.number, value=None, unit=probe.unit, quality="bad")
    value = true_value + probe.bias + drift + probe.noise * noise
    if probe.folded:
        value = abs(value)
    return Reading(number=probe.number, value=value * probe.factor, unit=probe.unit, quality="good")
