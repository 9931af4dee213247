"""What many shifts came to, also over several runs: one commit's counts in one file.

Rules of this file:
- Every figure is a sum, a maximum or a set over seeds: it does not depend on who ran which seed when.
- A file belongs to one commit, and a seed counts once: what another commit found says nothing about this one.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simulators.bench.faults import KINDS
from simulators.bench.shift import Outcome
from simulators.bench.sometimes import DUE, DUE_OF_ROUTING, Hits, missed, routing_missed, still_due


class TallyError(Exception):
    """A tally that cannot be used here; the text says why and what to do."""


@dataclass(slots=True, kw_only=True)
class Tally:
    """The counts of one commit. ``violations`` has by seed the first rule that was broken."""

    commit: str
    hours: float = 0.0
    facts: int = 0
    pallets: int = 0
    records: int = 0
    longest_finish_hours: float = 0.0
    hits: Counter[tuple[str, str]] = field(default_factory=Counter[tuple[str, str]])
    amid: Counter[tuple[str, str]] = field(default_factory=Counter[tuple[str, str]])
    fingerprints: dict[int, str] = field(default_factory=dict[int, str])
    violations: dict[int, str] = field(default_factory=dict[int, str])

    @property
    def seeds(self) -> int:
        """How many shifts."""
        return len(self.fingerprints)

    def add(self, outcome: Outcome) -> None:
        """Count one shift."""
        self.hours += outcome.hours
        self.facts += outcome.facts
        self.pallets += outcome.pallets
        self.records += outcome.records
        self.longest_finish_hours = max(self.longest_finish_hours, outcome.finish_hours)
        self.hits.update(outcome.hits)
        self.amid.update(outcome.amid)
        self.fingerprints[outcome.case.seed] = outcome.fingerprint
        if outcome.failures:
            first = outcome.failures[0]
            self.violations[outcome.case.seed] = f"{first.rule}: {first.text}"

    def join(self, other: "Tally") -> None:
        """Count another run of the same commit.

        Raises:
            TallyError: it is of another commit, or has seeds that were counted before.
        """
        if other.commit != self.commit:
            raise TallyError(f"expected counts of commit {self.commit}, found {other.commit}")
        twice = self.fingerprints.keys() & other.fingerprints.keys()
        if twice:
            raise TallyError(f"seed {min(twice)} is in two files; join files without seeds in both")
        self.hours += other.hours
        self.facts += other.facts
        self.pallets += other.pallets
        self.records += other.records
        self.longest_finish_hours = max(self.longest_finish_hours, other.longest_finish_hours)
        self.hits.update(other.hits)
        self.amid.update(other.amid)
        self.fingerprints |= other.fingerprints
        self.violations |= other.violations

    def by_kind(self) -> dict[str, int]:
        """How often each kind of fault hit, those that never did included."""
        kinds = dict.fromkeys(KINDS, 0)
        for (kind, _), count in self.hits.items():
            kinds[kind] += count
        return kinds

    def faults(self) -> int:
        """How many faults hit in all."""
        return self.hits.total()

    def due(self) -> list[str]:
        """What was never tried and should have been."""
        return still_due(self.hits, self.amid, self.seeds)

    def fingerprint(self) -> str:
        """One SHA-256 over the fingerprints of all shifts in the order of their seeds."""
        digest = hashlib.sha256()
        for seed in sorted(self.fingerprints):
            digest.update(f"{seed} {self.fingerprints[seed]}\n".encode())
        return digest.hexdigest()

    def summary(self) -> str:
        """The last line."""
        kinds = ", ".join(f"{kind} {count:,}" for kind, count in self.by_kind().items())
        return (
            f"campaign at {self.commit}: {self.seeds:,} seeds, {self.pallets:,} pallets, {self.records:,} records, "
            f"{self.facts:,} facts, {self.hours:,.0f} h simulated, "
            f"everything finished at most {self.longest_finish_hours:.1f} h after the last fault, "
            f"{self.faults():,} faults ({kinds}), {len(DUE) - len(missed(self.hits))} of {len(DUE)} steps hit, "
            f"{len(DUE_OF_ROUTING) - len(routing_missed(self.amid))} of {len(DUE_OF_ROUTING)} of routing, "
            f"fingerprint {self.fingerprint()[:16]}, {len(self.violations)} violations"
        )


def kept(tally: Tally, path: Path) -> None:
    """Write a tally: the old file stays until the new one is whole."""
    content: dict[str, Any] = {
        "commit": tally.commit,
        "hours": tally.hours,
        "facts": tally.facts,
        "pallets": tally.pallets,
        "records": tally.records,
        "longest_finish_hours": tally.longest_finish_hours,
        "hits": _listed(tally.hits),
        "amid": _listed(tally.amid),
        "fingerprints": tally.fingerprints,
        "violations": tally.violations,
    }
    new = path.with_name(path.name + ".new")
    new.write_text(json.dumps(content))
    new.replace(path)


def read(path: Path) -> Tally:
    """A tally that was kept.

    Raises:
        TallyError: the file is none.
    """
    try:
        content = json.loads(path.read_text())
        hits, amid = _counted(content.pop("hits")), _counted(content.pop("amid"))
        fingerprints = {int(seed): text for seed, text in content.pop("fingerprints").items()}
        violations = {int(seed): text for seed, text in content.pop("violations").items()}
        return Tally(
            hits=hits, amid=amid, fingerprints=fingerprints, violations=violations, **content
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as wrong:
        raise TallyError(f"expected a file of --keep at {path}, found: {wrong}") from wrong


def _listed(counts: Hits) -> list[list[str | int]]:
    return [[kind, step, count] for (kind, step), count in sorted(counts.items())]


def _counted(listed: list[list[Any]]) -> Hits:
    return Counter({(kind, step): count for kind, step, count in listed})


def joined(paths: Iterable[Path]) -> Tally:
    """The counts of several files as one.

    Raises:
        TallyError: a file is none, or they do not belong together.
    """
    first, *others = [read(path) for path in paths]
    for other in others:
        first.join(other)
    return first
