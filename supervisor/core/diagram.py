"""The transition tables and the interlock table as text for docs/reference.

Rules of this file:
- Nothing is drawn by hand; what is printed here is exactly what the core runs.
- ``python -m supervisor.core.diagram stages.md`` prints a page.
"""

import sys
from collections.abc import Mapping

from supervisor.core.holds import HOLDS, JOURNAL_REFUSED
from supervisor.core.interlocks import INTERLOCKS
from supervisor.core.transitions import BAY, HANDLER, PALLET, RUN

TABLES: dict[str, dict[tuple[str, str], str]] = {
    "Bay of a station": {**BAY},
    "Run at a station": {**RUN},
    "Handler": {**HANDLER},
    "Pallet": {**PALLET},
}


def mermaid(table: Mapping[tuple[str, str], str]) -> str:
    """A table as a Mermaid state diagram, one line per transition."""
    lines = ["stateDiagram-v2"]
    names = sorted({stage for stage, _ in table} | set(table.values()))
    lines += [f"    {_key(name)} : {name}" for name in names]
    lines += [
        f"    {_key(stage)} --> {_key(after)} : {trigger}"
        for (stage, trigger), after in table.items()
    ]
    return "\n".join(lines)


def _key(stage: str) -> str:
    return stage.replace(" ", "_")


def stages_page() -> str:
    """The page docs/reference/stages.md."""
    parts = [
        "# Stages",
        "",
        "Printed from `supervisor/core/transitions.py`; a test fails when page and tables differ.",
        "",
    ]
    for title, table in TABLES.items():
        parts += [
            f"## {title}",
            "",
            "```mermaid",
            mermaid(table),
            "```",
            "",
            "| stage | trigger | next stage |",
            "| --- | --- | --- |",
        ]
        parts += [f"| {stage} | {trigger} | {after} |" for (stage, trigger), after in table.items()]
        parts.append("")
    return "\n".join(parts)


def interlocks_page() -> str:
    """The page docs/reference/interlocks.md."""
    parts = [
        "# Interlocks",
        "",
        "Printed from `supervisor/core/interlocks.py`; a test fails when page and table differ. A value that is bad, uncertain or",
        "old is `unknown`, and no condition passes on `unknown`.",
        "",
        "These are process interlocks. They replace no safety function: guards, emergency stop and guard locking belong to the",
        "cell's safety controller.",
        "",
    ]
    for row, conditions in INTERLOCKS.items():
        parts += [f"## Goal: {row}", "", "| condition | the goal waits until |", "| --- | --- |"]
        parts += [f"| {condition.name} | {condition.text} |" for condition in conditions]
        parts.append("")
    return "\n".join(parts)


def holds_page() -> str:
    """The page docs/reference/holds.md."""
    parts = [
        "# Holds",
        "",
        "Printed from `supervisor/core/holds.py`; a test fails when page and catalogue differ.",
        "",
    ]
    kinds = {**HOLDS, JOURNAL_REFUSED.code: JOURNAL_REFUSED}
    for code in sorted(kinds):
        kind = kinds[code]
        answers = ", ".join(
            f"`{answer}`{' (with a reason)' if answer in kind.reasoned else ''}"
            for answer in kind.answers
        )
        parts += [
            f"## {code}",
            "",
            f"**{kind.title}.** {kind.advice}",
            "",
            f"Answers: {answers}" if answers else "Answers: none, it ends by itself.",
            "",
        ]
    return "\n".join(parts)


PAGES = {
    "stages.md": stages_page,
    "interlocks.md": interlocks_page,
    "holds.md": holds_page,
}


if __name__ == "__main__":
    sys.stdout.write(PAGES[sys.argv[1]]())
