"""The acceptance protocol of a walk: what was asked of a station, what it showed, when, and whether that is right.

Rules of this file:
- It holds every observed change with its time, not only verdicts: whoever signs can check, and whoever reads it later too.
- A step that was not done is never counted as passed; a protocol with one is incomplete, and says so at its top.
- HTML and JSON say the same. The page needs nothing from outside and prints on paper in black and white.
"""

import html
from collections.abc import Iterator
from typing import Any, Literal

import msgspec

from supervisor.cell.value import value

Verdict = Literal["passed", "failed", "not done"]
SIGNS: dict[Verdict, str] = {"passed": "✓", "failed": "✗", "not done": "–"}

SAFETY_NOTICE = (
    "Pointsman performs no safety function. Guards, emergency stop, safe speeds and guard locking belong to the cell's safety controller, "
    "which has to be designed and validated by competent people (ISO 10218-1 and -2, ISO 13849-1 or IEC 62061, ISO 14119, the law of "
    "the place). This walk shows how the station answers orders; it proves nothing about the safety of people. Nobody may reach into the "
    "station while it is walked, and no other supervisor may drive it."
)


@value
class Observation:
    """Something that was seen or done, at a time (RFC 3339, UTC); ``after_s`` counts from the beginning of the step."""

    at: str
    after_s: float
    what: str
    seen: str


@value
class Step:
    """One question to the station. ``why`` says what was wrong, why it was not done, or what to look at although it passed ("" = nothing)."""

    name: str
    title: str
    expected: str
    verdict: Verdict
    why: str
    began: str
    lasted_s: float
    observations: tuple[Observation, ...]


@value
class Subject:
    """What was walked, and by whom. ``how`` is "with a person" or "unattended"."""

    cell: str
    revision: str
    station: str
    title: str
    url: str
    security: str
    profile: str
    program: str
    boot: str
    supervisor: str
    by: str
    how: str


@value
class Protocol:
    """A whole walk."""

    subject: Subject
    began: str
    ended: str
    steps: tuple[Step, ...]

    @property
    def verdict(self) -> Literal["passed", "failed", "incomplete"]:
        """Failed if one step failed, incomplete if one was not done."""
        verdicts = {step.verdict for step in self.steps}
        if "failed" in verdicts:
            return "failed"
        return "incomplete" if "not done" in verdicts else "passed"


def as_json(protocol: Protocol) -> dict[str, Any]:
    """The protocol for programs, ready for ``json.dumps``."""
    return {
        "verdict": protocol.verdict,
        "safety_notice": SAFETY_NOTICE,
        **msgspec.to_builtins(protocol),
    }


def as_html(protocol: Protocol) -> str:
    """The protocol for people: one page to print and sign."""
    subject = protocol.subject
    title = f"Acceptance protocol: {subject.station} in cell {subject.cell}"
    parts = [
        f"<h1>{_text(title)}</h1>",
        f'<p class="verdict {protocol.verdict}">{_text(_summary(protocol))}</p>',
        _table(_facts(protocol)),
        f'<p class="notice"><b>Safety.</b> {_text(SAFETY_NOTICE)}</p>',
        "<h2>Steps</h2>",
        _overview(protocol),
        *(_step(number, step) for number, step in enumerate(protocol.steps, 1)),
        _signatures(),
    ]
    body = "\n".join(parts)
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>{_text(title)}</title>\n'
        f"<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _summary(protocol: Protocol) -> str:
    count = dict.fromkeys(SIGNS, 0)
    for step in protocol.steps:
        count[step.verdict] += 1
    counted = ", ".join(f"{number} {verdict}" for verdict, number in count.items() if number)
    return f"{protocol.verdict.capitalize()}: {counted}"


def _facts(protocol: Protocol) -> Iterator[tuple[str, str]]:
    subject = protocol.subject
    yield "Station", f"{subject.station}, {subject.title}"
    yield "Address", subject.url
    yield "Connection", subject.security
    yield "Profile", subject.profile
    yield "Program of the run", subject.program or "none"
    yield "Server started", subject.boot or "not known"
    yield "Declaration", f"{subject.cell}, revision {subject.revision}"
    yield "Supervisor", subject.supervisor
    yield "Walked", f"{protocol.began} to {protocol.ended}, {subject.how}"
    yield "By", subject.by


def _table(rows: Iterator[tuple[str, str]]) -> str:
    lines = "".join(f"<tr><th>{_text(name)}</th><td>{_text(said)}</td></tr>" for name, said in rows)
    return f'<table class="facts">{lines}</table>'


def _overview(protocol: Protocol) -> str:
    rows = "".join(
        f'<tr class="{step.verdict.replace(" ", "-")}"><td>{number}</td><td>{_text(step.title)}</td>'
        f"<td>{SIGNS[step.verdict]} {step.verdict}</td><td>{_text(step.why)}</td></tr>"
        for number, step in enumerate(protocol.steps, 1)
    )
    head = "<tr><th>No.</th><th>Step</th><th>Verdict</th><th>Remark</th></tr>"
    return f'<table class="overview">{head}{rows}</table>'


def _step(number: int, step: Step) -> str:
    rows = "".join(
        f"<tr><td>{_text(seen.at[11:23])}</td><td>{seen.after_s:.3f}</td><td>{_text(seen.what)}</td><td>{_text(seen.seen)}</td></tr>"
        for seen in step.observations
    )
    head = "<tr><th>Time (UTC)</th><th>After s</th><th>What</th><th>Seen</th></tr>"
    why = f" {_text(step.why)}" if step.why else ""
    return (
        f"<section><h3>{number}. {_text(step.title)}</h3><p>Expected: {_text(step.expected)}</p>"
        f'<p><b>{SIGNS[step.verdict]} {step.verdict}.</b>{why}</p><table class="seen">{head}{rows}</table></section>'
    )


def _signatures() -> str:
    line = "<td>Name</td><td>Date</td><td>Signature</td>"
    return (
        "<h2>Signatures</h2>"
        f'<table class="sign"><tr><th>For the integrator</th>{line}</tr><tr><th>For the operator of the cell</th>{line}</tr></table>'
    )


def _text(content: str) -> str:
    return html.escape(content)


STYLE = """
body { font: 14px/1.4 system-ui, sans-serif; max-width: 62rem; margin: 2rem auto; padding: 0 1rem; color: #111; background: #fff; }
h1 { font-size: 1.5rem; } h2 { margin-top: 2rem; } h3 { margin-bottom: .2rem; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; border: 1px solid #999; padding: .25rem .5rem; overflow-wrap: anywhere; }
.facts th { width: 12rem; } .overview td:first-child { width: 2rem; } .overview td:nth-child(2) { width: 14rem; } .overview td:nth-child(3) { width: 7rem; white-space: nowrap; }
.seen { font-size: .85rem; } .seen td:nth-child(-n+2) { white-space: nowrap; width: 6rem; font-variant-numeric: tabular-nums; }
.seen td:nth-child(3) { width: 16rem; }
.verdict { font-size: 1.2rem; font-weight: bold; border: 2px solid #111; padding: .5rem 1rem; }
.failed td { background: #ffe3e0; } .not-done td { background: #f0f0f0; }
p.failed { background: #ffe3e0; } p.incomplete { background: #f0f0f0; } p.passed { background: #e4f5e4; }
.notice { border-left: 4px solid #111; padding-left: 1rem; }
.sign td { height: 4rem; width: 22%; color: #666; } .sign th { width: 12rem; }
@media screen and (max-width: 40rem) { th, td { padding: .2rem .3rem; } .facts th, .sign th { width: 30%; } .seen td:nth-child(-n+2) { width: 3rem; white-space: normal; }
  .seen td:nth-child(3), .overview td:nth-child(2), .overview td:nth-child(3) { width: auto; } }
section { break-inside: avoid-page; } @media print { body { margin: 0; max-width: none; font-size: 11px; } }
"""
