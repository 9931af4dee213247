"""Where to correct, by how much, and when not to.

Rules of this file:
- Correcting what is only chance makes a process worse (the funnel experiment). So: several parts, a deadband, one part never decides.
- Evidence ends at the last correction of any offset that is concerned: what was made before tells nothing of what is set now.
- Parts that were queued when a correction was made are left out by their production time. Where that is not known, the share of a
  deviation that is taken back stays at half the gain at which such parts would make the loop swing.
- Two stations that disagree on a characteristic block what it answers to, whichever of them decides, until people have settled it.
- Advice that is withheld says why, and shows the evidence all the same.

Sources: docs/explanation/advice.md names them; the formulas stand in ``statistics/adjustment.py`` and ``statistics/linear.py``.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from decimal import ROUND_DOWN, Decimal
from typing import Literal

from supervisor.cell.model import Characteristic, PartType, ToolOffset
from supervisor.cell.value import replace, value
from supervisor.process.correction import Correction, Expected, ToolOffsetHistory, tool_offset_key
from supervisor.process.effect import Effect, effects
from supervisor.process.evidence import Basis, Window, split_at_correction, window_of
from supervisor.process.groups import Group, groups
from supervisor.process.series import LeftOut, series
from supervisor.statistics.adjustment import deadband, gain_limit
from supervisor.statistics.agreement import Measurement, normalised_error
from supervisor.statistics.distributions import normal_cdf, student_cdf, student_quantile
from supervisor.statistics.linear import SingularError, least_squares
from supervisor.verdict.agreement import Agreement
from supervisor.verdict.record import Record

K = 3.0
"""The reach of the deadband in standard errors: chance alone passes it in 0.27 % of cases (common practice: 1.645 to 3)."""
CHANCE = normal_cdf(-K)
HISTORY = 30
"""How many parts back the spread is looked for; before that the process was another one."""
DISAGREEING_MAX = 1
"""One pair beyond its uncertainties in a window is what honest uncertainties show now and then; two are disagreement."""

State = Literal["offered", "withheld"]
Reason = Literal[
    "",
    "too few parts",
    "within the deadband",
    "rests on one part",
    "too large",
    "not told apart",
    "contradiction",
    "stations disagree",
    "no effect",
    "declined",
]


@value
class Advice:
    """What to do with one offset. ``amount`` is to be added to it, in its unit; 0 where advice is withheld.

    ``needed`` is what the parts ask for, before the share, the increment and the deadband; ``confidence`` is the probability that its
    sign is right. ``advice`` names this very advice: whoever accepts it says it, so that nobody accepts another one than was seen.
    """

    part_type: str
    offset: ToolOffset
    advice: str
    state: State
    reason: Reason
    why: str
    number: int
    amount: Decimal
    needed: float
    share: float
    deadband: float
    confidence: float
    bases: tuple[Basis, ...]
    left_out: tuple[LeftOut, ...]
    queued: int
    expected: tuple[Expected, ...]
    effects: tuple[Effect, ...]
    last: ToolOffsetHistory


@value
class _Solved:
    """A least-squares answer for a group: what each offset needs, by how much chance and the stations may have moved it."""

    needed: tuple[float, ...]
    chance: tuple[float, ...]
    expanded_u: tuple[float, ...]
    dof: float


def advise(
    part_type: PartType,
    records: Sequence[Record],
    known: Mapping[str, ToolOffsetHistory],
    agreement: Iterable[Agreement] = (),
) -> tuple[Advice, ...]:
    """Advice for every offset of a part type; ``records`` as ``one_per_part`` gives them, ``known`` by ``tool_offset_key``.

    ``agreement`` is how pairs of stations stand; one that disagrees blocks what its characteristic answers to until people have settled it.
    """
    apart = {
        each.pair.number: each
        for each in sorted(agreement, key=lambda each: each.pair.title)
        if each.standing == "disagrees" and each.pair.part_type == part_type.part_type
    }
    found = [
        advice
        for group in groups(part_type)
        for advice in _advise_group(part_type, group, records, known, apart)
    ]
    return tuple(sorted(found, key=lambda advice: advice.offset.offset))


def _advise_group(
    part_type: PartType,
    group: Group,
    records: Sequence[Record],
    known: Mapping[str, ToolOffsetHistory],
    apart: Mapping[str, Agreement],
) -> tuple[Advice, ...]:
    histories = [
        known.get(tool_offset_key(part_type.part_type, offset.offset), ToolOffsetHistory())
        for offset in group.offsets
    ]
    corrections = [h.corrected for h in histories if h.corrected is not None]
    since_ms = max((c.at_ms for c in corrections), default=None)
    queue = max(offset.parts_queued for offset in group.offsets)
    before, after, queued = split_at_correction(records, since_ms, queue)
    recent = (*before, *after)[-HISTORY:]
    count = max(offset.parts for offset in group.offsets)
    windows = [
        window_of(
            characteristic,
            series(part_type, characteristic, after),
            series(part_type, characteristic, [r for r in before if r in recent]),
            count,
        )
        for characteristic in group.characteristics
    ]
    drafts = [
        _draft(part_type, offset, history, windows, max(queue, queued))
        for offset, history in zip(group.offsets, histories, strict=True)
    ]
    alarmed = next((apart[n] for w in windows if (n := w.characteristic.number) in apart), None)
    if alarmed is not None:
        return tuple(_withheld(draft, "stations disagree", _why_apart(alarmed)) for draft in drafts)
    return _judged(group, drafts, windows, count)


def _why_apart(alarmed: Agreement) -> str:
    """The alarm in words; which of both is wrong nobody knows, so neither may steer a machine."""
    return f"{alarmed.why}. Settle it under agreement, then advice comes back"


def _draft(
    part_type: PartType,
    offset: ToolOffset,
    history: ToolOffsetHistory,
    windows: Sequence[Window],
    queued: int,
) -> Advice:
    """Everything that is known before judging; withheld until shown otherwise."""
    own = [w for w in windows if any(a.offset == offset.offset for a in w.characteristic.answers)]
    return Advice(
        part_type=part_type.part_type,
        offset=offset,
        advice="",
        state="withheld",
        reason="too few parts",
        why="",
        number=1 if history.corrected is None else history.corrected.number + 1,
        amount=Decimal(0),
        needed=0.0,
        share=_share(offset, queued, own),
        deadband=0.0,
        confidence=0.0,
        bases=tuple(w.basis for w in own),
        left_out=tuple(out for w in own for out in w.left_out),
        queued=queued,
        expected=(),
        effects=() if history.corrected is None else _effects(history.corrected, own, offset),
        last=history,
    )


def _effects(
    correction: Correction, windows: Sequence[Window], offset: ToolOffset
) -> tuple[Effect, ...]:
    return effects(correction, windows, offset.parts, K)


def _share(offset: ToolOffset, queued: int, windows: Sequence[Window]) -> float:
    """The share of a deviation that is taken back: half the limit at which the loop swings, at most all of it.

    A correction is judged by the next ``parts`` parts, so the queue is counted in such groups. Where every production time is known,
    no part of the queue is among them, and there is no dead time.
    """
    if all(point.made_known == "yes" for window in windows for point in window.points):
        return min(1.0, gain_limit(0) / 2.0)
    return min(1.0, gain_limit(math.ceil(queued / offset.parts)) / 2.0)


def _judged(
    group: Group, drafts: Sequence[Advice], windows: Sequence[Window], count: int
) -> tuple[Advice, ...]:
    for window in windows:
        lacking = window.lacking(count)
        if lacking:
            return tuple(_withheld(draft, "too few parts", lacking) for draft in drafts)
    try:
        solved = _solve(group, windows)
        without_one = [
            _solve(group, [w.without(serial) for w in windows])
            for serial in sorted({p.serial for w in windows for p in w.points})
        ]
    except SingularError:
        why = "its characteristics do not tell the offsets apart that they answer to"
        return tuple(_withheld(draft, "not told apart", why) for draft in drafts)
    judged = [
        _sized(draft, solved, [s.needed[at] for s in without_one], at)
        for at, draft in enumerate(drafts)
    ]
    return _as_a_group(judged, windows)


def _solve(group: Group, windows: Sequence[Window]) -> _Solved:
    """What each offset needs so that all characteristics come nearest to their targets, weighed by their uncertainty.

    x = -(J'WJ)^-1 J'W d with d the mean deviations (docs/explanation/advice.md).
    """
    gains = [[_gain(w.characteristic, offset.offset) for offset in group.offsets] for w in windows]
    errors = [math.hypot(w.chance, w.u) for w in windows]
    fit = least_squares(gains, [w.deviation for w in windows], errors)
    spreads: list[float] = []
    expanded: list[float] = []
    for row in fit.covariance:
        # The influence of each characteristic's mean on this offset: a row of (J'WJ)^-1 J'W.
        weights = [
            math.fsum(c * g for c, g in zip(row, gain, strict=True)) / error**2
            for gain, error in zip(gains, errors, strict=True)
        ]
        spreads.append(
            math.sqrt(math.fsum((h * w.chance) ** 2 for h, w in zip(weights, windows, strict=True)))
        )
        expanded.append(
            math.sqrt(
                math.fsum((h * 2.0 * w.u) ** 2 for h, w in zip(weights, windows, strict=True))
            )
        )
    return _Solved(
        needed=tuple(-x for x in fit.x),
        chance=tuple(spreads),
        expanded_u=tuple(expanded),
        dof=min(w.basis.dof for w in windows),
    )


def _gain(characteristic: Characteristic, offset: str) -> float:
    return next((float(a.gain) for a in characteristic.answers if a.offset == offset), 0.0)


def _sized(draft: Advice, solved: _Solved, without_one: Sequence[float], at: int) -> Advice:
    """The amount for one offset, or why there is none."""
    offset, needed = draft.offset, solved.needed[at]
    band = deadband(
        solved.chance[at],
        1,
        solved.expanded_u[at],
        float(offset.increment),
        k=-student_quantile(CHANCE, solved.dof),
    )
    amount = (Decimal(needed * draft.share) / offset.increment).to_integral_value(
        rounding=ROUND_DOWN
    ) * offset.increment
    error = math.hypot(solved.chance[at], solved.expanded_u[at] / 2.0)
    sized = replace(
        draft,
        needed=needed,
        deadband=band,
        confidence=student_cdf(abs(needed) / error, solved.dof) if error else 1.0,
    )
    if abs(needed) <= band or not amount:
        places = _places(band)
        why = f"the parts ask for {needed:+.{places}f} {offset.unit}, which chance, uncertainty or the increment explain up to {band:.{places}f}"
        return _withheld(sized, "within the deadband", why)
    if any(other * needed <= 0.0 or abs(other) <= band for other in without_one):
        why = "without one of the parts the rest would not ask for it: wait for the next ones"
        return _withheld(sized, "rests on one part", why)
    if abs(needed) > float(offset.step_max):
        why = (
            f"the parts ask for {needed:+.{_places(band)}f} {offset.unit}, more than {offset.step_max}: look for a broken tool, "
            "a wrong part or wrong clamping first"
        )
        return _withheld(sized, "too large", why)
    return replace(sized, state="offered", reason="", why="", amount=amount)


def _places(band: float) -> int:
    """Decimal places that show three digits of a deadband, which is an increment at least: what is held against it says nothing beyond them."""
    return max(0, 2 - math.floor(math.log10(band)))


def _as_a_group(judged: Sequence[Advice], windows: Sequence[Window]) -> tuple[Advice, ...]:
    """What concerns all offsets together: agreement of stations, the effect of the last correction, and the means to come."""
    amounts = {advice.offset.offset: float(advice.amount) for advice in judged}
    expected = {w.characteristic.number: _expected(w, amounts) for w in windows}
    trouble = _disagreement(windows) or _no_effect(judged) or _contradiction(windows, expected)
    done: list[Advice] = []
    for advice in judged:
        if advice.state == "offered" and trouble is not None:
            done.append(_withheld(advice, *trouble))
        elif advice.state == "offered":
            own = tuple(expected[b.number] for b in advice.bases)
            done.append(_declined(_named(replace(advice, expected=own), windows)))
        else:
            done.append(advice)
    return tuple(done)


def _expected(window: Window, amounts: Mapping[str, float]) -> Expected:
    change = math.fsum(float(a.gain) * amounts[a.offset] for a in window.characteristic.answers)
    mean = window.basis.mean
    return Expected(
        number=window.characteristic.number, before=mean, u=window.chance, after=mean + change
    )


def _disagreement(windows: Sequence[Window]) -> tuple[Reason, str] | None:
    for window in windows:
        apart = [
            (point.serial, station)
            for point in window.points
            for station, measured, u in point.others
            if abs(
                normalised_error(
                    Measurement(value=point.value, u=point.u), Measurement(value=measured, u=u)
                )
            )
            > 1.0
        ]
        if len(apart) > DISAGREEING_MAX:
            serials = ", ".join(f"{serial} ({station})" for serial, station in apart)
            why = f"stations disagree on characteristic {window.characteristic.number} beyond their uncertainties: {serials}"
            return "stations disagree", why
    return None


def _no_effect(judged: Sequence[Advice]) -> tuple[Reason, str] | None:
    for advice in judged:
        for effect in advice.effects:
            if effect.outcome == "not as expected":
                why = (
                    f"the last correction of {advice.offset.offset} did not do what it should: {effect.why}. "
                    "Look whether it was entered with its sign, then report what is set now (an amount of 0 if nothing changed)"
                )
                return "no effect", why
    return None


def _contradiction(
    windows: Sequence[Window], expected: Mapping[str, Expected]
) -> tuple[Reason, str] | None:
    """No characteristic may be driven out of its limits for the sake of the others."""
    for window in windows:
        each, characteristic = expected[window.characteristic.number], window.characteristic
        target = float(characteristic.target or 0)
        farther = abs(each.after - target) > abs(each.before - target)
        below = characteristic.lower is not None and each.after < float(characteristic.lower)
        above = characteristic.upper is not None and each.after > float(characteristic.upper)
        if farther and (below or above):
            why = f"it would drive characteristic {each.number} to {each.after:.6g}, out of its limits"
            return "contradiction", why
    return None


def _named(advice: Advice, windows: Sequence[Window]) -> Advice:
    newest = max((p for w in windows for p in w.points), key=lambda p: (p.made_ms, p.serial))
    key = tool_offset_key(advice.part_type, advice.offset.offset)
    return replace(advice, advice=f"{key}/{advice.number}/{newest.serial}/{advice.amount:+f}")


def _declined(advice: Advice) -> Advice:
    """What was declined is not offered again before new parts say it again."""
    declined = advice.last.declined
    if declined is None:
        return advice
    new = min(
        sum(point.decided_ms > declined.at_ms for point in basis.points) for basis in advice.bases
    )
    if new >= advice.offset.parts:
        return advice
    why = f"{declined.by} declined it: {declined.why or 'no reason given'}; {new} of {advice.offset.parts} parts were measured since"
    return _withheld(advice, "declined", why)


def _withheld(advice: Advice, reason: Reason, why: str) -> Advice:
    return replace(
        advice, state="withheld", reason=reason, why=why, amount=Decimal(0), advice="", expected=()
    )
