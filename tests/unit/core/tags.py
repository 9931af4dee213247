"""Tags that say what they should, or something else in its stead."""

from dataclasses import replace

from simulators.models.physics import Physics, right_tag


def tag_of(physics: Physics, number: int, *, gtin: str = "", **other: str) -> bytes:
    """What the tag of the pallet with a number should say; ``gtin`` and ``other`` fields of the pallet in the stead of its own."""
    pallet = replace(physics.pallets[number], **other)
    return right_tag(pallet, gtin or physics.part_type[pallet.part_type].gtin)
