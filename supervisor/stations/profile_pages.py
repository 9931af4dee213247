"""The pages of the shipped profiles and of their quality scale: what can be printed from the data is.

Rules of this file:
- ``python -m supervisor.stations.profile_pages`` renews the pages in place; a test fails when one is not current.
- A profile's page is written by hand, but for what stands between two marks: which nodes it needs, and its answers to the scale.
"""

import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

from supervisor.cell.profile import AnyProfile, HandlerProfile, ReaderProfile, StationProfile
from supervisor.cell.profile_language import (
    Declared,
    Echo,
    EventSource,
    Facet,
    Node,
    TagOrder,
)
from supervisor.cell.profile_quality import GRADES, RULES, Answered, quality_of, rules_for
from supervisor.cell.profile_uses import facet_nodes, order_nodes, ways
from supervisor.cell.shipped import shipped_names, shipped_profile
from supervisor.stations.asking import stored_of, ways_of
from supervisor.stations.results import result_nodes
from supervisor.stations.wanted import permit_order, station_orders

SCALE = "profile-quality.md"
MARK: Final = re.compile(
    r"(?P<begin><!-- (?P<what>needs|options|quality): printed[^\n]*-->\n)(?P<body>.*?)(?P<end><!-- end -->)",
    re.DOTALL,
)

INTRODUCTION = """\
# The quality scale of profiles

<!-- Printed by `python -m supervisor.stations.profile_pages`; a test compares. -->

A shipped profile says of itself how good it is, by rules that are the same for all. It answers each rule in one of three ways:
"""

AFTER = """\
The answers are data: `supervisor/stations/profiles/quality/<profile>.yaml`. A test asks every shipped profile every rule of its kind,
and looks whether each test that an answer names is there. The page of each profile prints them.
"""


def scale_page() -> str:
    """The page of the scale: the grades, the rules, and every profile's answers at a glance."""
    grades = "\n".join(f"- **{grade}**: {what}." for grade, what in GRADES.items())
    rules = [(f"`{rule.name}`", rule.holds, ", ".join(rule.kinds)) for rule in RULES]
    blocks = [
        INTRODUCTION.rstrip(),
        grades,
        AFTER.rstrip(),
        "## The rules",
        _table(("rule", "holds when", "asked of"), rules),
        "## The profiles",
        _table(
            ("profile", *GRADES, "still open"), [_at_a_glance(name) for name in shipped_names()]
        ),
    ]
    return "\n\n".join(blocks) + "\n"


def _at_a_glance(name: str) -> tuple[str, ...]:
    answers = quality_of(name).answers
    counts = [str(sum(one.grade == grade for one in answers.values())) for grade in GRADES]
    still = [f"`{rule.name}`" for rule in RULES if _grade(answers, rule.name) == "open"]
    return (f"[`{name}`](profile-{name}.md)", *counts, ", ".join(still))


def _grade(answers: dict[str, Answered], rule: str) -> str:
    return answers[rule].grade if rule in answers else ""


def printed(name: str, what: str) -> str:
    """What stands between the marks of a profile's page: what it needs, what it may be without, or its answers."""
    profile = shipped_profile(name)
    printers = {"needs": _needs, "options": _options, "quality": _quality}
    return printers[what](profile)


def _quality(profile: AnyProfile) -> str:
    answers = quality_of(profile.profile).answers
    rows = [
        (f"`{rule.name}`", answers[rule.name].grade, _founded(answers[rule.name]))
        for rule in rules_for(profile.kind)
        if rule.name in answers
    ]
    return f"By [the quality scale]({SCALE}):\n\n{_table(('rule', '', 'shown by, or why'), rows)}\n"


def _founded(answer: Answered) -> str:
    said = answer.note or answer.why
    tests = ", ".join(f"`{test}`" for test in answer.by)
    return f"{said}: {tests}" if said and tests else said or tests


def _needs(profile: AnyProfile) -> str:
    uses = {name: what for name, what in _uses(profile).items() if name in profile.nodes}
    ordered = sorted(uses.items(), key=lambda use: _address(profile.nodes[use[0]]))
    rows = [
        (_address(profile.nodes[name]), f"`{profile.nodes[name].type}`", ", ".join(what))
        for name, what in ordered
        if profile.nodes[name].optional is None
    ]
    where = "\n".join(f"- `{prefix}`: `{uri}`" for prefix, uri in profile.namespaces.items())
    root = f"Paths begin at `Objects/{profile.root}`." if profile.root else "Paths begin at `Objects`."  # fmt: skip
    needs = f"{root} Prefixes:\n\n{where}\n\n{_table(('node', 'type', 'for'), rows)}\n"
    return needs + _events(profile) if isinstance(profile, StationProfile) else needs


def _events(profile: StationProfile) -> str:
    """The types of events that it needs, with the fields that are latched and what is asked in their place after an outage."""
    rows = [
        (
            f"`{event.type}`",
            ", ".join(f"`{field.path}`" for field in event.fields.values()),
            _asked(profile, event),
        )
        for event in profile.events.values()
    ]
    head = ("event", "fields", "after an outage it is asked of")
    return f"\n{_table(head, rows)}\n" if rows else ""


def _asked(profile: StationProfile, event: EventSource) -> str:
    if event.after_outage.order is not None:
        return f"`{event.after_outage.order}` is ordered again"
    names = _asked_after_outage(event)
    return ", ".join(dict.fromkeys(_address(profile.nodes[name]) for name in names))


def _asked_after_outage(event: EventSource) -> list[str]:
    after = event.after_outage
    return [after.query.node] if after.query is not None else [*(after.levels or {}).values()]


def _options(profile: AnyProfile) -> str:
    rows = [
        (_address(profile.nodes[name]), ", ".join(what), profile.nodes[name].optional or "")
        for name, what in _uses(profile).items()
        if name in profile.nodes and profile.nodes[name].optional is not None
    ]
    if not rows:
        return "Nothing: a node that is missing keeps the link down and is named.\n"
    said = "These nodes may be missing. What a station has shows in the log, in `GET /api/v1/stations` and on the page when the link comes up:"
    return f"{said}\n\n{_table(('node', 'for', 'without it'), sorted(rows))}\n"


def _address(node: Node) -> str:
    return f"`{node.path or node.id}`"


def _uses(profile: AnyProfile) -> dict[str, list[str]]:
    """What each node is used for, by the names of facets, echoes and orders."""
    uses: dict[str, list[str]] = {}
    for name, what in _pairs(profile):
        known = uses.setdefault(name, [])
        if what not in known:
            known.append(what)
    return uses


def _pairs(profile: AnyProfile) -> Iterator[tuple[str, str]]:
    match profile:
        case StationProfile():
            yield from _facets(profile)
            yield from _echoes(profile)
            for name, order in station_orders(profile).items():
                yield from _order(order, name)
            yield from ((node, "results") for node in result_nodes(profile.results))
            yield from ((node, "results") for way in ways_of(profile) for node in way.methods())
            stored = stored_of(profile.results)
            yield from () if stored is None else ((stored.node, "acknowledge"),)
            yield from _event_pairs(profile)
        case HandlerProfile():
            yield from _facets(profile)
            yield from _echoes(profile)
            yield from _order(profile.orders.move, "move")
        case ReaderProfile():
            yield from _facets(profile)
            yield from _order(profile.orders.read_tag, "read_tag")
    if not isinstance(profile, ReaderProfile):
        for order in permit_order(profile):
            yield from _order(order, "permit")
        if profile.heartbeat is not None:
            yield (profile.heartbeat.node, "heartbeat")


def _order(order: Declared | TagOrder, name: str) -> Iterator[tuple[str, str]]:
    for way in ways(order):
        yield from ((node, name) for node in order_nodes(way))


def _facets(profile: AnyProfile) -> Iterator[tuple[str, str]]:
    for name in type(profile.facets).model_fields:
        stated: Any = getattr(profile.facets, name)
        facets: list[Facet[Any] | None] = stated if name == "jaws" else [stated]
        for facet in facets:
            if facet is not None:
                yield from ((node, name) for node in facet_nodes(facet))


def _event_pairs(profile: StationProfile) -> Iterator[tuple[str, str]]:
    for name, event in profile.events.items():
        if event.source is not None:
            yield (event.source, f"event {name}")
        yield from ((node, "after an outage") for node in _asked_after_outage(event))


def _echoes(profile: StationProfile | HandlerProfile) -> Iterator[tuple[str, str]]:
    for name in type(profile.echoes).model_fields:
        echo: Echo | None = getattr(profile.echoes, name)
        if echo is not None:
            yield (echo.node, f"echo of {name}")


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def renewed(name: str, page: str) -> str:
    """A profile's page with what is printed in it made new."""
    return MARK.sub(
        lambda found: f"{found['begin']}\n{printed(name, found['what'])}\n{found['end']}", page
    )


def pages(folder: Path) -> dict[Path, str]:
    """Every page of this kind as it should be, by its file."""
    named = {name: folder / f"profile-{name}.md" for name in shipped_names()}
    return {
        folder / SCALE: scale_page(),
        **{path: renewed(name, path.read_text(encoding="utf-8")) for name, path in named.items()},
    }


def main(folder: Path) -> None:
    """Renew the pages in place."""
    for path, text in pages(folder).items():
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/reference"))
