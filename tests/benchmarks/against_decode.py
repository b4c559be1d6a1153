"""Reading a large LAZ file as a scan, beside plainly decoding all of it in chunks with laspy."""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from tests.benchmarks.against_plain import SAMPLES, densified
from tests.benchmarks.memory import timed

DECODE = """
import sys
import laspy
with laspy.open(sys.argv[1]) as reader:
    for points in reader.chunk_iterator(1_000_000):
        pass
"""
READ = """
import sys
from pathlib import Path
from treescan.pointcloud.reading import read_scan
read_scan([Path(sys.argv[1])])
"""
WORK = {"decode": DECODE, "read": READ}


class Spent(NamedTuple):
    """What one process took, its start and its imports counted."""

    seconds: float
    processor_s: float
    peak_gb: float


def spent_on(code: str, file: Path) -> Spent:
    """Run a program on a file to its end.

    Raises
    ------
    SystemExit
        When the program fails: its time says nothing.
    """
    before = os.times()
    cost = timed([sys.executable, "-c", code, str(file)])
    after = os.times()
    if cost.status:
        raise SystemExit(f"reading {file} ended with exit status {cost.status}")
    of_processor = after.children_user + after.children_system
    of_processor -= before.children_user + before.children_system
    return Spent(cost.seconds, of_processor, cost.peak_gb)


def decode(sample: str, millions: Sequence[float], rounds: int = 3) -> None:
    """Print both for each size, the middle one of some rounds in which they take turns.

    Where processor seconds are few beside the wall clock's on all cores, other work was going on,
    and only the ratio of processor seconds means anything.
    """
    print(
        f"{'points':>11} {'work':<7} {'seconds':>8} {'processor s':>11} {'peak GB':>8} "
        f"{'ratio':>6} {'of processor s':>14}"
    )
    with tempfile.TemporaryDirectory() as scratch:
        file = Path(scratch) / "scan.laz"
        for size in millions:
            densified(SAMPLES / f"{sample}.laz", file, int(size * 1e6))
            turns: dict[str, list[Spent]] = {name: [] for name in WORK}
            for _ in range(rounds):
                for name, code in WORK.items():
                    turns[name].append(spent_on(code, file))
            middle = {name: _middle(costs) for name, costs in turns.items()}
            plain = middle["decode"]
            for name, cost in middle.items():
                print(
                    f"{size * 1e6:>11,.0f} {name:<7} {cost.seconds:>8.1f} "
                    f"{cost.processor_s:>11.1f} {cost.peak_gb:>8.2f} "
                    f"{cost.seconds / plain.seconds:>6.2f} "
                    f"{cost.processor_s / max(plain.processor_s, 1e-9):>14.2f}",
                    flush=True,
                )


def _middle(costs: list[Spent]) -> Spent:
    return Spent(*(statistics.median(column) for column in zip(*costs, strict=True)))
