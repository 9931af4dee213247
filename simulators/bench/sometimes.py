"""What a campaign must have hit sometimes: each kind of fault at each step of the handshake that it can meet, and how routing decided.

Rules of this file:
- ``STEPS`` says for each kind which steps are due. A step that is left out cannot be met, for the reason beside it.
- A kind that is never hit proves nothing and fails a campaign of ``KINDS_DUE_SEEDS`` seeds or more; a single step that is never hit fails
  one of ``STEPS_DUE_SEEDS`` or more.
"""

from collections import Counter
from collections.abc import Iterator, Sequence

Hits = Counter[tuple[str, str]]
"""How often a kind hit at a step."""

KINDS_DUE_SEEDS = 100
STEPS_DUE_SEEDS = 10_000

STATION = (
    "at rest",
    "door opening",
    "door open",
    "arm inside",
    "door closing",
    "run preparing",
    "run prepared",
    "run starting",
    "run measuring",
    "run evaluating",
    "run finished",
)
HANDLER = tuple(
    f"handler {stage}"
    for stage in ("idle", "approaching", "picking", "putting", "swapping", "halted")
)
ORDERS = (
    "read tag",
    "door open",
    "door closed",
    "approach",
    "pick",
    "put",
    "swap",
    "prepare",
    "start",
    "abort",
    "acknowledge",
    "clear fault",
)
ENTRIES = (*ORDERS, "no order")
EVERYWHERE = (*STATION, *HANDLER, "places")
WITH_RESULT = ("run measuring", "run evaluating", "run finished")


def _but(steps: Sequence[str], *never: str) -> tuple[str, ...]:
    return tuple(step for step in steps if step not in never)


STEPS: dict[str, tuple[str, ...]] = {
    "station-fault": STATION,
    "station-manual": STATION,
    "station-gated": STATION,
    "station-restart": STATION,
    "door-jam": STATION,
    "door-by-hand": _but(STATION, "run measuring"),  # nobody opens a machine that measures
    "run-aborted": ("run measuring", "run evaluating"),
    "run-slow": STATION,
    "run-by-hand": ("run preparing", "run prepared", "run starting"),
    "value-bad": STATION,
    "reads-wrong": STATION,
    "facets-unknown": EVERYWHERE,
    "handler-fails": HANDLER,
    "handler-stopped": HANDLER,
    "handler-restart": HANDLER,
    "pallet-dropped": HANDLER,
    "reader-restart": ("places",),
    "tag-misread": ("places",),
    "pallet-taken": (*STATION, "places"),
    "pallet-put": ("at rest", "door opening", "door open", "places"),  # into an empty nest only
    "pallets-exchanged": ("reader down", "supervisor dead"),
    "tag-malformed": ("tag read",),
    "tag-strange": ("tag read",),
    "identity-doubled": ("tag read",),
    "link-cut": EVERYWHERE,
    "link-cut-before": ORDERS,
    "link-cut-during": ORDERS,
    "link-cut-after": ORDERS,
    "order-lost": ORDERS,
    "order-late": ORDERS,
    "order-refused": ORDERS,
    "answer-lost": ("refused",),
    "answer-doubled": ("refused",),
    "image-doubled": EVERYWHERE,
    "image-late": EVERYWHERE,
    "result-late": WITH_RESULT,
    "result-doubled": WITH_RESULT,
    "result-stale": STATION,
    "result-partial": WITH_RESULT,
    "result-foreign": WITH_RESULT,
    "result-lost": WITH_RESULT,
    "result-spoiled": _but(
        WITH_RESULT, "run finished"
    ),  # it is spoiled as it is measured; read again, it is the same
    "tag-garbled": ("tag read",),
    "tag-answer-lost": ("tag read",),
    "tag-answer-doubled": ("tag read",),
    "tag-answer-late": ("tag read",),
    "crash": HANDLER,
    "crash-undurable": HANDLER,
    "crash-unsent": ENTRIES,
    "crash-half": ENTRIES,
    "crash-sent": ENTRIES,
    "journal-refused": HANDLER,
    "clock-leap": HANDLER,
    "clock-back": ("supervisor dead",),
    "redeclared": HANDLER,
}

DUE = tuple((kind, step) for kind, steps in STEPS.items() for step in steps)
"""Every kind and step that is due."""


ANSWERS = (
    "simple rule",
    "exchange",
    "look-ahead, to the end",
    "look-ahead, part of the way",
    "look-ahead, from a jaw",
    "look-ahead, stays free",
)
"""How routing comes to an answer."""
WAYS = ("way", "way without homes")
"""What look-ahead keeps of the way that it saw: where all pallets in nests have a home, and where one has none."""
BEFORE_ALL = ("tag-malformed", "tag-strange", "identity-doubled")
"""What befalls pallets before anything is decided: no way can be kept then."""
TOO_RARE = ("pallets-exchanged", "way without homes")
"""A pallet has no home only while others have all the rack; that two of them stand in it just then, unseen, did not come in 1,200 seeds."""
DUE_OF_ROUTING = (
    *(("answer", how) for how in ANSWERS),
    *(
        (kind, way)
        for kind in STEPS
        for way in WAYS
        if kind not in BEFORE_ALL and (kind, way) != TOO_RARE
    ),
)
"""Every answer, and every kind of fault while a way is kept."""


def routing_missed(amid: Hits) -> list[tuple[str, str]]:
    """What is due of routing and never came."""
    return [each for each in DUE_OF_ROUTING if not amid[each]]


def missed(hits: Hits) -> list[tuple[str, str]]:
    """What is due and was never hit."""
    return [each for each in DUE if not hits[each]]


def kinds_missed(hits: Hits) -> list[str]:
    """The kinds that never hit at all."""
    seen = {kind for (kind, _), count in hits.items() if count}
    return [kind for kind in STEPS if kind not in seen]


def still_due(hits: Hits, amid: Hits, seeds: int) -> list[str]:
    """What a campaign of so many seeds had to hit and did not, in words; empty when it has done its duty."""
    due = [f"{kind} never hit" for kind in kinds_missed(hits)] if seeds >= KINDS_DUE_SEEDS else []
    if seeds >= STEPS_DUE_SEEDS:
        due += [f"{kind} never hit at {step!r}" for kind, step in missed(hits)]
        due += [f"{kind} never with {way!r}" for kind, way in routing_missed(amid)]
    return due


# --- the table ----------------------------------------------------------------------------------------------------------------------

_TABLES = {
    "at a station": STATION,
    "at the handler": HANDLER,
    "by order": ENTRIES,
}


def table(hits: Hits) -> Iterator[str]:
    """How often each kind hit at each step; a dot where it cannot, and in the end what it hit elsewhere."""
    for title, steps in _TABLES.items():
        kinds = [kind for kind in STEPS if _has(kind, title)]
        yield from _matrix(title, steps, kinds, hits)
        yield ""
    for kind in STEPS:
        tabled = {step for title, steps in _TABLES.items() if _has(kind, title) for step in steps}
        rest = [(s, n) for (k, s), n in sorted(hits.items()) if k == kind and s not in tabled]
        if rest or not tabled:
            yield f"{kind:<20} " + ", ".join(f"{step} {count:,}" for step, count in rest)


def table_of_routing(amid: Hits) -> Iterator[str]:
    """How often routing decided how, and how often each kind hit while a way was kept."""
    yield "answers of routing   " + ", ".join(f"{how} {amid['answer', how]:,}" for how in ANSWERS)
    yield ""
    kinds = [kind for kind in STEPS if kind not in BEFORE_ALL]
    yield from _matrix("while a way is kept", WAYS, kinds, amid)


def _has(kind: str, title: str) -> bool:
    """Whether a kind belongs into a table: a door open is a stage of a station there and an order here."""
    is_order = STEPS[kind] in (ORDERS, ENTRIES)
    if is_order or title.startswith("by order"):
        return is_order and title.startswith("by order")
    return bool(set(STEPS[kind]) & set(_TABLES[title]))


def _matrix(title: str, steps: Sequence[str], kinds: Sequence[str], hits: Hits) -> Iterator[str]:
    due = {*DUE, *DUE_OF_ROUTING}
    heads = [step.rpartition(" ") for step in steps]
    yield f"{title:<20}" + "".join(f"{first:>12}" for first, _, _ in heads).rstrip()
    yield f"{'':<20}" + "".join(f"{last:>12}" for _, _, last in heads)
    for kind in kinds:
        cells = (_cell(hits[kind, step], (kind, step) in due) for step in steps)
        yield f"{kind:<20}" + "".join(f"{cell:>12}" for cell in cells)


def _cell(count: int, due: bool) -> str:  # noqa: FBT001 - a fact about the cell, no switch
    return f"{count:,}" if count or due else "·"
