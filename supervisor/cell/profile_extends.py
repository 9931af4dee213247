"""Profiles that extend others: a site's file states only what differs.

Rules of this file:
- Mappings of names (``namespaces``, ``nodes``, ``events``, ``facets``, ``echoes``, ``orders``) are taken over entry by entry; an entry that the
  extending file states replaces the whole entry, a section without names (``results``, ``heartbeat``, ``permit``) the whole section.
- Chains are allowed, circles are not.
- A problem with what was taken over is shown where it stands in its own file, or at ``extends`` where it has no place of its own.
"""

from collections.abc import Callable, Iterable

from supervisor.cell.problem import Problem, choose_instead, one_of
from supervisor.cell.table import Mark, Table

KEY = "extends"
BY_NAME = ("namespaces", "nodes", "events", "facets", "echoes", "orders")
OWN = ("profile", KEY)
CHAIN_MAX = 8

Reader = Callable[[str], Table | None]


def extended(
    table: Table, read: Reader, known: Iterable[str]
) -> tuple[Table | None, list[Problem]]:
    """The profile with everything that it takes over; None where what it extends cannot be had.

    ``read`` gives a profile's own file by name (and reports what is wrong in it), ``known`` are the names that there are.
    """
    chain = [table]
    seen = {table.text("profile") or ""}
    names = sorted(known)
    while (name := chain[-1].text(KEY)) is not None:
        if name in seen or len(chain) == CHAIN_MAX:
            return None, [_circle(chain[-1], name)]
        if name not in names:
            others = [each for each in names if each not in seen]
            return None, [_unknown(chain[-1], name, others)]
        seen.add(name)
        further = read(name)
        if further is None:
            return None, []
        chain.append(further)
    whole = chain[-1]
    for over in reversed(chain[:-1]):
        whole = _merged(whole, over)
    return whole, []


def _merged(under: Table, over: Table) -> Table:
    at = over.marks[KEY]
    whole = _copy(over)
    for key, content in under.items():
        if key in OWN:
            continue
        stated = whole.get(key)
        if key not in whole:
            _put(whole, key, content, at)
        elif key in BY_NAME and isinstance(content, Table) and isinstance(stated, Table):
            section = _copy(stated)
            for name, inner in content.items():
                if name not in section:
                    _put(section, name, inner, at)
            whole[key] = section
    return whole


def _copy(table: Table) -> Table:
    copy = Table(table)
    copy.place(table.file, table.path, table.mark)
    copy.marks.update(table.marks)
    return copy


def _put(table: Table, key: str, content: object, mark: Mark) -> None:
    table[key] = content
    table.marks[key] = mark


def _circle(table: Table, name: str) -> Problem:
    return table.problem(
        KEY,
        expected=f"at most {CHAIN_MAX} profiles that extend one another, none of them itself",
        found=f"`{name}`, which leads back here or too far",
        remedy="remove one `extends:` of the chain",
    )


def _unknown(table: Table, name: str, names: list[str]) -> Problem:
    return table.problem(
        KEY,
        expected=f"a profile: {one_of(names)}",
        found=f"the profile `{name}`",
        remedy=choose_instead(name, names, "add its file to profiles/"),
    )
