"""What can go wrong in a campaign, and which of it strikes when: a function of the seed.

Rules of this file:
- A kind of fault strikes at times of its own, or at a share of its opportunities (orders, facts, pallets), drawn from a generator of its
  own; the n-th strike of a kind is drawn from another. So leaving one strike out shifts no other.
- Each seed draws which kinds it has at all and how often they strike: many faults of few kinds find what few faults of all kinds hide.
- A strike counts as a hit only if it found something to hit; it is counted by kind and by the stage of the handshake that it hit.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from random import Random

from simulators.models.chance import chance

HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of fault. ``per_hour`` for those that strike at times of their own, ``share`` for those that need an opportunity."""

    kind: str
    what: str
    per_hour: float = 0.0
    share: float = 0.0


def _kinds(*kinds: Kind) -> dict[str, Kind]:
    return {kind.kind: kind for kind in kinds}


KINDS = _kinds(
    # machines
    Kind(kind="station-fault", what="a station goes to fault", per_hour=0.8),
    Kind(kind="station-manual", what="a person turns a station's key to manual", per_hour=0.8),
    Kind(kind="station-gated", what="a station says that it must not measure", per_hour=0.6),
    Kind(
        kind="station-restart",
        what="a station's control restarts: run, program and counter are lost",
        per_hour=1.0,
    ),
    Kind(kind="door-jam", what="a door stands still on its way", per_hour=0.8),
    Kind(kind="door-by-hand", what="a person moves a door at the panel", per_hour=0.8),
    Kind(kind="run-aborted", what="a station breaks a run off", per_hour=1.5),
    Kind(kind="run-slow", what="runs take up to four times as long", per_hour=0.6),
    Kind(kind="run-by-hand", what="a person starts a run at a station's panel", per_hour=3.0),
    Kind(kind="value-bad", what="a run gives a value of bad quality", per_hour=1.5),
    Kind(kind="facets-unknown", what="some of what a machine shows cannot be read", per_hour=2.0),
    Kind(kind="handler-fails", what="the handler cannot take hold of a pallet", per_hour=1.0),
    Kind(kind="handler-stopped", what="the handler is in manual or fault", per_hour=0.8),
    Kind(kind="handler-restart", what="the handler's control restarts", per_hour=0.8),
    Kind(kind="pallet-dropped", what="a pallet falls out of a jaw", per_hour=0.6),
    Kind(kind="reader-restart", what="the tag reader restarts", per_hour=0.4),
    Kind(kind="tag-misread", what="the reader finds no tag, several, or cannot read", per_hour=2.0),
    # people
    Kind(
        kind="pallet-taken", what="a person takes a pallet from rack, nest or outfeed", per_hour=1.0
    ),
    Kind(
        kind="pallet-put",
        what="a person puts a pallet into a nest, onto an outfeed or onto another's home",
        per_hour=1.0,
    ),
    Kind(
        kind="pallets-exchanged",
        what="two pallets change places in the rack unseen",
        per_hour=4.0,
    ),
    Kind(kind="tag-malformed", what="a pallet's tag holds no identity of ours", share=0.05),
    Kind(kind="tag-strange", what="a pallet's tag names an unknown part type", share=0.04),
    Kind(kind="identity-doubled", what="two pallets' tags say the same", share=0.05),
    # links
    Kind(kind="link-cut", what="a link is lost, noticed within three seconds", per_hour=2.0),
    Kind(kind="link-cut-before", what="a link is lost before an order arrives", share=0.012),
    Kind(
        kind="link-cut-during",
        what="a link is lost when an order was carried out and before that shows",
        share=0.012,
    ),
    Kind(kind="link-cut-after", what="a link is lost just after an order showed", share=0.012),
    Kind(kind="order-lost", what="an order never arrives and nobody says so", share=0.006),
    Kind(kind="order-late", what="an order arrives up to 2.5 s late", share=0.03),
    Kind(kind="order-refused", what="a machine refuses an order", share=0.006),
    Kind(kind="answer-lost", what="an answer to an order is lost", share=0.2),
    Kind(kind="answer-doubled", what="an answer to an order comes twice", share=0.3),
    Kind(kind="image-doubled", what="an image comes twice", share=0.06),
    Kind(kind="image-late", what="an image comes after later ones", share=0.06),
    Kind(kind="result-late", what="a result comes up to 40 s late", share=0.08),
    Kind(kind="result-doubled", what="a result comes twice", share=0.12),
    Kind(kind="result-stale", what="an earlier result comes again", share=0.05),
    Kind(kind="result-partial", what="a partial result comes first", share=0.12),
    Kind(kind="result-foreign", what="a result that belongs to no run of ours comes", share=0.12),
    Kind(kind="result-lost", what="a result never comes", share=0.04),
    Kind(
        kind="result-spoiled",
        what="a value is uncertain, doubled, missing, or in another unit",
        share=0.08,
    ),
    Kind(kind="tag-garbled", what="a tag is read with wrong bits", share=0.06),
    Kind(kind="tag-answer-lost", what="the answer of the reader is lost", share=0.05),
    Kind(kind="tag-answer-doubled", what="the answer of the reader comes twice", share=0.1),
    Kind(kind="tag-answer-late", what="the answer of the reader comes late", share=0.1),
    # supervisor
    Kind(kind="crash", what="the supervisor dies while nothing is decided", per_hour=0.5),
    Kind(kind="crash-undurable", what="it dies with a decision that is not durable", per_hour=0.5),
    Kind(kind="crash-unsent", what="it dies before any command of an entry went out", per_hour=0.6),
    Kind(kind="crash-half", what="it dies when half of an entry's commands went out", per_hour=0.6),
    Kind(kind="crash-sent", what="it dies when all commands of an entry went out", per_hour=0.5),
    Kind(kind="journal-refused", what="the database takes no entries for a while", per_hour=0.8),
    Kind(kind="clock-leap", what="the supervisor's clock leaps forward", per_hour=0.4),
    Kind(
        kind="clock-back",
        what="the clock is set back while the supervisor is dead",
        per_hour=2.0,
    ),
    # these came last, in this order, and stay here, so that the draws of the others stand
    Kind(kind="reads-wrong", what="a station reads everything wrong by up to 8 U", per_hour=0.6),
    Kind(
        kind="redeclared",
        what="the supervisor is ended, and started under another declaration of look-ahead",
        per_hour=0.4,
    ),
)

Chosen = Mapping[str, frozenset[int] | None]
"""The kinds that may strike, each with the numbers of the strikes that do (None: all of them)."""

EVERYTHING: Chosen = dict.fromkeys(KINDS)


INTENSITIES = (0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 2.0, 4.0, 6.0)
"""What the drawn frequency of a kind is multiplied by; each is as likely."""


def parse_chosen(text: str) -> Chosen:
    """Chosen faults as ``written`` writes them: "door-jam crash:2,5".

    Raises:
        ValueError: a kind that there is not, or a number that is none.
    """
    chosen: dict[str, frozenset[int] | None] = {}
    for word in text.split():
        kind, _, numbers = word.partition(":")
        if kind not in KINDS:
            message = f"no kind of fault {kind!r}; there are {', '.join(KINDS)}"
            raise ValueError(message)
        chosen[kind] = frozenset(map(int, numbers.split(","))) if numbers else None
    return chosen


def written(chosen: Chosen) -> str:
    """Chosen faults as text."""
    return " ".join(
        kind if numbers is None else f"{kind}:{','.join(map(str, sorted(numbers)))}"
        for kind, numbers in chosen.items()
    )


class Strikes:
    """Which faults of a seed strike. ``hits`` counts those that hit by kind and stage, ``struck`` lists every strike: kind and number.

    ``amid`` counts them by kind and by what ``routing`` tells that was kept of routing meanwhile, if anything was. ``are_over``: nothing strikes any more.
    """

    def __init__(self, seed: int, chosen: Chosen) -> None:
        self.hits: Counter[tuple[str, str]] = Counter()
        self.amid: Counter[tuple[str, str]] = Counter()
        self.routing: Callable[[], str] = lambda: ""
        self.struck: list[tuple[str, int]] = []
        self._seed = seed
        self._chosen = chosen
        self.are_over = False
        self._numbers: Counter[str] = Counter()
        intensity = chance("intensity", seed)
        self._intensity = {kind: intensity.choice(INTENSITIES) for kind in KINDS}
        self._shares = {kind: KINDS[kind].share * self._intensity[kind] for kind in KINDS}
        self._draws = {kind: chance("opportunity", seed, kind) for kind in KINDS}

    def stop(self) -> None:
        """Nothing strikes any more."""
        self.are_over = True

    def strike(self, kind: str) -> Random | None:
        """An opportunity: what to draw from if the fault strikes here, else None."""
        share = self._shares[kind]
        if not share or self.are_over or self._draws[kind].random() >= share:
            return None
        return self.number(kind)

    def number(self, kind: str) -> Random | None:
        """The next strike of a kind: what to draw from if it is among the chosen, else None."""
        self._numbers[kind] += 1
        if self.are_over or not self._is_chosen(kind, self._numbers[kind]):
            return None
        self.struck.append((kind, self._numbers[kind]))
        return chance("strike", self._seed, kind, self._numbers[kind])

    def times_ms(self, kind: str, from_ms: int, until_ms: int) -> Iterator[int]:
        """When a kind strikes by itself, in a span of time."""
        rate = KINDS[kind].per_hour * self._intensity[kind]
        at_ms: float = from_ms
        while rate:
            at_ms += self._draws[kind].expovariate(rate / HOUR_MS)
            if at_ms >= until_ms:
                return
            yield round(at_ms)

    def hit(self, kind: str, stage: str) -> None:
        """A strike of a kind has found something to hit."""
        self.hits[kind, stage] += 1
        kept = self.routing()
        if kept:
            self.amid[kind, kept] += 1

    def _is_chosen(self, kind: str, number: int) -> bool:
        if kind not in self._chosen:
            return False
        numbers = self._chosen[kind]
        return numbers is None or number in numbers
