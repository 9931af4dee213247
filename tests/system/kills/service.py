"""The service as ``pointsman serve`` runs it, with a place where it is killed.

Rules of this file: the process is forked from one that has loaded the service already (``multiprocessing``'s fork server), which saves
a second of loading for each kill; from there on it is ``supervisor.app.serve`` and nothing else.
"""

import asyncio
import logging
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from uvloop import new_event_loop

from supervisor.app import Settings, serve
from supervisor.cell.value import replace
from supervisor.store.errors import StoreError
from tests.system.kills.defects import DEFECTS
from tests.system.kills.points import DeadlyJournal, DeadlyOutbox, Death, Trigger, Wire, die

TAKEN = 75
"""Exit code when the database has not noticed yet that the one before is dead: to be started again (EX_TEMPFAIL of sysexits.h)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """One start of the service. ``death`` None: it lives until it is told to end. ``defect`` is one of ``DEFECTS``."""

    settings: Settings
    handler: str
    death: Death | None
    defect: str
    log: Path


def run(start: Start) -> None:
    """The whole life of one service process."""
    log = os.open(start.log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    os.dup2(log, 1)
    os.dup2(log, 2)
    logging.basicConfig(
        format="%(asctime)s %(process)d %(levelname)s %(name)s: %(message)s", force=True
    )
    logging.getLogger("supervisor").setLevel(logging.INFO)

    def rewire(wiring):
        if start.death is None:
            return DEFECTS[start.defect](wiring)
        trigger, wire = Trigger(start.death, die), Wire()
        deadly = replace(
            wiring,
            journal=DeadlyJournal(wiring.journal, trigger, wire, start.handler),
            outbox=DeadlyOutbox(wiring.outbox, trigger, wire),
        )
        return DEFECTS[start.defect](deadly)

    try:
        with asyncio.Runner(loop_factory=new_event_loop) as runner:
            runner.run(serve(start.settings, lambda _: None, rewire))
    except StoreError as refusal:
        if refusal.code != "cell-taken":
            raise
        sys.exit(TAKEN)
