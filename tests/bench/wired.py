"""The example cell at real sockets, quickened for benches: every machine a process, nothing but the wire in its way.

Rules of this file:
- What is quickened is declared so: short programs at many times real time. Programs much shorter than the way of the handler, or
  swaps much shorter than a message, would measure other rules than those of a cell.
- The machines speak their own dialects: a result that stands in the message, a word of bits. What the wire alone takes is measured at
  these, not what a standard asks for on top.
- Processes end with the block that started them.
"""

import json
import shutil
import subprocess
import time
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from ruamel.yaml import YAML

from simulators.bench.run import process
from simulators.bench.staging import Stage, Wishes, prepare

EXAMPLE = Path(__file__).parents[2] / "deploy" / "cells" / "vane-pumps"
SEED = 7


def quick_stage(folder: Path, pallets: int, *, speed: float, program_s: int) -> Stage:
    """A run folder of the example cell with programs of so many seconds of its own time."""
    cell, run = folder / "quick", folder / "run"
    shutil.copytree(EXAMPLE, cell)
    run.mkdir()
    yaml = YAML(typ="rt")
    document = yaml.load(cell / "programs.yaml")
    for program in document["programs"]:
        program.update(part_free_s=program_s, result_s=program_s)
    yaml.dump(document, cell / "programs.yaml")
    wishes = Wishes(cell=cell, pallets=pallets, seed=SEED, speed=speed, dialects="own")
    return prepare(wishes, run)


@contextmanager
def machines(stage: Stage) -> Generator[subprocess.Popen[bytes]]:
    """The simulators of a run folder as processes, once all of them can be connected to."""
    log = stage.folder / "simulators.log"
    arguments = ["simulators.servers", "cell", "--plan", str(stage.plan), "--with-parent"]
    with process(arguments, log) as launcher:
        wanted = len(json.loads(stage.plan.read_text())["servers"])
        while _ready(log) < wanted:
            if launcher.poll() is not None:
                raise RuntimeError(f"the simulators ended: {log.read_text()[-2000:]}")
            time.sleep(0.05)
        yield launcher


def _ready(log: Path) -> int:
    return sum('"ready"' in line for line in log.read_text().splitlines())
