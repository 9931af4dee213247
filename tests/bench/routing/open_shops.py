"""Taillard's open shops, regenerated, and their published optima.

Rules of this file:
- E. Taillard, Benchmarks for basic scheduling problems, European Journal of Operational Research 64 (1993) 278-285: generator (a linear
  congruential one, Bratley, Fox and Schrage), instances of 4, 5 and 7 jobs on as many machines.
- Generator, seeds and optima are written from memory. What speaks for them: for each instance the greatest sum of a job or a machine is
  at most the optimum, and no run has ever been quicker than it.
"""

from collections.abc import Iterator

from tests.bench.routing.cells import Case, open_shop

_A, _B, _C, _M = 16_807, 127_773, 2_836, 2_147_483_647

SEEDS = {
    4: (
        (1166510396, 164000672), (1624514147, 1076870026), (1116611914, 1729673136),
        (410579806, 1453014524), (1036100146, 375655500), (597897640, 322140729),
        (1268670769, 556009645), (307928077, 421384574), (667545295, 485515899),
        (35780816, 492238933),
    ),
    5: (
        (527556884, 1343124817), (1046824493, 1973406531), (1165033492, 86711717),
        (476292817, 24463110), (1181363416, 606981348), (897739730, 513119113),
        (577107303, 2046387124), (1714191910, 1928475945), (1813128617, 2091141708),
        (808919936, 183753764),
    ),
    7: (
        (1840686215, 1827454623), (1026771938, 1312166461), (609471574, 670843185),
        (1022295947, 398226875), (1513073047, 1250759651), (1612211197, 95606345),
        (435024109, 1118234860), (1760865440, 1099909092), (122574075, 10979313),
        (248031774, 1685251301),
    ),
}  # fmt: skip
"""By size: for each instance the seed of its times and that of its machines."""

OPTIMA = {
    4: (193, 236, 271, 250, 295, 189, 201, 217, 261, 217),
    5: (300, 262, 323, 310, 326, 312, 303, 300, 353, 326),
    7: (435, 443, 468, 463, 416, 451, 422, 424, 458, 398),
}


def _uniform(seed: int, low: int, high: int) -> tuple[int, int]:
    """The next number of the generator, and its new seed."""
    k = seed // _B
    seed = _A * (seed % _B) - k * _C
    if seed < 0:
        seed += _M
    return low + int(seed / _M * (high - low + 1)), seed


def times(size: int, instance: int) -> tuple[tuple[int, ...], ...]:
    """For each job its time on each machine."""
    time_seed, machine_seed = SEEDS[size][instance]
    drawn = []
    for _ in range(size):
        row = []
        for _ in range(size):
            value, time_seed = _uniform(time_seed, 1, 99)
            row.append(value)
        drawn.append(row)
    for row_at in range(size):
        row = drawn[row_at]
        machines = list(range(size))
        for at in range(size):
            other, machine_seed = _uniform(machine_seed, at, size - 1)
            machines[at], machines[other] = machines[other], machines[at]
        drawn[row_at] = [row[machines.index(machine)] for machine in range(size)]
    return tuple(tuple(row) for row in drawn)


def instances(size: int) -> Iterator[tuple[Case, int]]:
    """The instances of one size with their optima, in time units."""
    for instance, optimum in enumerate(OPTIMA[size]):
        yield (
            open_shop(f"open shop {size}x{size} no. {instance + 1}", times(size, instance)),
            optimum,
        )
