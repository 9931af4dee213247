"""Lengths at other temperatures than 20 degrees Celsius (ISO 1:2022).

Rules of this file:
- Whoever corrects must know that nobody did so before: correcting twice is the usual error when stations are merged.
"""

import math

REFERENCE_C = 20.0


def expansion(length: float, alpha_per_k: float, temperature_c: float) -> float:
    """By how much a length at 20 degrees is longer at this temperature, in the unit of the length."""
    return length * alpha_per_k * (temperature_c - REFERENCE_C)


def at_reference(
    indicated: float,
    part: tuple[float, float],
    scale: tuple[float, float] = (0.0, REFERENCE_C),
) -> float:
    """The length at 20 degrees from an indicated one; ``part`` and ``scale`` are (alpha per kelvin, temperature in degrees)."""
    part_alpha, part_c = part
    scale_alpha, scale_c = scale
    grown = scale_alpha * (scale_c - REFERENCE_C) - part_alpha * (part_c - REFERENCE_C)
    return indicated * (1.0 + grown)


def correction_u(
    length: float, alpha_per_k: float, temperature_c: float, u_alpha: float, u_temperature_c: float
) -> float:
    """The standard uncertainty that the correction brings, from those of the coefficient and of the temperature."""
    return math.hypot(
        length * (temperature_c - REFERENCE_C) * u_alpha, length * alpha_per_k * u_temperature_c
    )
