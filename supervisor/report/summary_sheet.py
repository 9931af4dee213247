"""The summary of a batch, or of any other choice of records, as PDF on A4.

Rules of this file: the share of conforming parts first; every part that is not proven to conform is named, up to the summary's limit.
"""

# pyright: reportUnknownMemberType=false
# reportlab ships types for parts of itself only.

from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from supervisor.report.figures import evened, second_digit
from supervisor.report.layout import (
    BOLD,
    LABEL,
    SMALL,
    SYMBOLS,
    TITLE,
    Cover,
    boxed,
    pairs,
    paragraphs,
    printed,
    ruled,
    style,
    text,
)
from supervisor.report.summary import (
    TROUBLED_MAX,
    VERDICTS,
    CharacteristicSummary,
    GroupSummary,
    period,
)

_COLUMNS = (
    ("No.", 9.0),
    ("Characteristic", 40.0),
    ("Lower", 17.0),
    ("Upper", 17.0),
    ("OK", 9.0),
    ("X", 8.0),
    ("?", 8.0),
    ("–", 8.0),
    ("!", 8.0),
    ("Mean, s", 34.0),
    ("Smallest, largest", 26.0),
)


def summary_sheet(groups: Sequence[GroupSummary], *, cell: str, chosen: str) -> bytes:
    """The PDF; ``chosen`` says in words which records were asked for."""
    cover = Cover(
        title=f"Summary of {chosen}",
        subject=f"{sum(group.parts for group in groups)} parts",
        author=cell,
        foot=f"{cell} · summary of {chosen}",
    )
    return printed(cover, lambda: _story(groups, cell, chosen))


def _story(groups: Sequence[GroupSummary], cell: str, chosen: str) -> list[Flowable]:
    story: list[Flowable] = [text(f"{cell}: summary of {chosen}", TITLE), Spacer(0, 3 * mm)]
    if not groups:
        return [*story, boxed("no parts", "no record was found")]
    for group in groups:
        story += _group(group)
    return story


def _group(group: GroupSummary) -> list[Flowable]:
    good = group.verdicts["conforming"]
    counted = ", ".join(f"{count} {word}" for word, count in group.verdicts.items() if count)
    doubt = f"; {group.suspect} suspect since" if group.suspect else ""
    facts = (
        ("Part type", group.part_type),
        ("Plan revision", group.plan_revision),
        ("Batches", ", ".join(each or "none" for each in group.batches)),
        ("Decided", period(group)),
    )
    heads, widths_mm = zip(*_COLUMNS, strict=True)
    return [
        boxed(f"{good} of {group.parts} conform", f"{group.part_type}: {counted}{doubt}"),
        Spacer(0, 3 * mm),
        pairs(facts, columns=4),
        Spacer(0, 3 * mm),
        ruled(heads, [_row(each) for each in group.characteristics], widths_mm),
        Spacer(0, 2 * mm),
        text("Columns: " + ", ".join(f"{SYMBOLS[word]} {word}" for word in VERDICTS), LABEL),
        *paragraphs(
            f"Parts that are not proven to conform{_cut(group.troubled)}",
            [", ".join(group.troubled)] if group.troubled else [],
        ),
        *paragraphs(
            f"Parts with a value that a failed check has cast doubt on since{_cut(group.doubted)}",
            [", ".join(group.doubted)] if group.doubted else [],
        ),
        Spacer(0, 8 * mm),
    ]


def _cut(serials: Sequence[str]) -> str:
    """That there may be more parts than are named."""
    return f" (the first {TROUBLED_MAX})" if len(serials) == TROUBLED_MAX else ""


def _row(each: CharacteristicSummary) -> list[Flowable | list[Flowable]]:
    lower, upper = evened(each.lower, each.upper)
    bad = each.verdicts["nonconforming"]
    doubt = f"; {each.suspect} suspect" if each.suspect else ""
    about = f"{each.kind}, {each.unit}; {', '.join(each.stations)}{doubt}"
    return [
        text(each.number),
        [text(each.name), text(about, LABEL)],
        text(lower),
        text(upper),
        *(
            text(str(count), style(6.8, BOLD) if word == "nonconforming" and bad else SMALL)
            for word, count in each.verdicts.items()
        ),
        text(_spread(each)),
        text(_extremes(each)),
    ]


def _spread(each: CharacteristicSummary) -> str:
    """Mean and standard deviation to the second digit of the latter."""
    found = each.moments
    if found is None:
        return "–"
    if not found.sd:
        return f"{found.mean:.7g}"
    places = second_digit(found.sd)
    return f"{found.mean:.{places}f}, {found.sd:.{places}f}"


def _extremes(each: CharacteristicSummary) -> str:
    if each.smallest is None or each.largest is None:
        return "–"
    sd = None if each.moments is None else each.moments.sd
    form = f".{second_digit(sd)}f" if sd else ".7g"
    return f"{each.smallest:{form}}, {each.largest:{form}}"
