"""``python -m tests.fuzz --minutes N [--parser NAME ...]``: damaged files for every reader.

Each batch runs in a child process.  Kept under the output folder, one file a kind of fault: what
a reader raised that is no TreescanError, a process that died, an input that took too long or too
much memory.  Exit status 1 when anything was found.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.child import Reader, engine
from tests.fuzz.parsers import PARSERS

BATCH_S = 120
"""A child is replaced after so long, so that one parser never starves another. [s]"""


class Watch:
    """Looks at one child: alive, not stuck, not swollen."""

    def __init__(self, name: str, folder: Path, seconds: float, megabytes: int) -> None:
        self.name, self.folder = name, folder
        self.seconds, self.megabytes = seconds, megabytes
        self.current = folder / "work" / name / PARSERS[name].file_name
        self._input: int | None = None
        self._cpu = self._since = 0.0

    def fault(self, pid: int) -> str:
        """What is wrong with the child now, or ""."""
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
            status = Path(f"/proc/{pid}/status").read_text()
            stamp = self.current.stat().st_mtime_ns
        except (OSError, IndexError):
            return ""
        cpu = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        if stamp != self._input:
            self._input, self._cpu, self._since = stamp, cpu, time.monotonic()
        elif cpu - self._cpu > self.seconds or time.monotonic() - self._since > 60 * self.seconds:
            return f"stuck: {cpu - self._cpu:.0f} s of processor time on one input"
        swollen = next((int(r.split()[1]) for r in status.splitlines() if r[:5] == "VmRSS"), 0)
        if swollen / 1000 > self.megabytes:
            return f"swollen: {swollen / 1000:.0f} MB"
        return ""

    def keep(self, what: str, log: Path) -> None:
        """Keep the input that did it."""
        data = self.current.read_bytes() if self.current.exists() else b""
        name = f"{self.name}-{what.split(':')[0]}-{hashlib.sha256(data).hexdigest()[:12]}"
        (self.folder / "findings" / f"{name}.bin").write_bytes(data)
        tail = log.read_text(errors="replace")[-4000:]
        (self.folder / "findings" / f"{name}.txt").write_text(f"{what}\n{tail}", encoding="utf-8")


def run_batch(name: str, folder: Path, seconds: int, seed: int, given: argparse.Namespace) -> None:
    """One child for so many seconds; what it broke on is kept."""
    log = folder / "work" / f"{name}.log"
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
    words = [name, str(folder), str(seconds), str(seed), str(given.memory_mb)]
    with log.open("wb") as stream:
        child = subprocess.Popen(
            [sys.executable, "-X", "faulthandler", "-m", "tests.fuzz.child", *words],
            stdout=stream, stderr=subprocess.STDOUT, env=environment,
        )  # fmt: skip
    latest = time.monotonic() + seconds + 90 * given.seconds_each
    watch = Watch(name, folder, given.seconds_each, given.memory_mb + 1500)
    try:
        while child.poll() is None:
            time.sleep(0.5)
            what = watch.fault(child.pid)
            if not what and time.monotonic() > latest:
                what = "stuck: the batch does not end"
            if what:
                child.kill()
                child.wait()
                watch.keep(what, log)
                return
        if child.returncode != 0:
            watch.keep(f"died: exit status {child.returncode}", log)
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()


def counts(folder: Path, name: str) -> tuple[int, int]:
    """Inputs read so far, and how many of them were accepted."""
    path = folder / "work" / f"{name}.count"
    data = path.read_bytes() if path.exists() else bytes(16)
    return int.from_bytes(data[:8], "little"), int.from_bytes(data[8:], "little")


def fuzz(folder: Path, names: list[str], given: argparse.Namespace) -> int:
    """Go round the parsers until the time is over; the number of findings."""
    (folder / "work").mkdir(parents=True, exist_ok=True)
    (folder / "findings").mkdir(exist_ok=True)
    end = time.monotonic() + 60.0 * given.minutes
    share = max(5, min(BATCH_S, int(60.0 * given.minutes / len(names))))
    print(f"engine: {engine()[0]}; results in {folder}", flush=True)
    seed = given.seed
    while time.monotonic() < end:
        for name in names:
            left = int(end - time.monotonic())
            if left <= 0:
                break
            seed += 1
            before = counts(folder, name)[0]
            run_batch(name, folder, min(share, left), seed, given)
            kept = len(list((folder / "findings").glob(f"{name}-*.txt")))
            done, good = counts(folder, name)
            print(
                f"{name}: {done - before:,} inputs in this batch, {done:,} in all "
                f"({good:,} accepted), {kept} findings",
                flush=True,
            )
    found = sorted((folder / "findings").glob("*.txt"))
    for path in found:
        print(f"{path}: {path.read_text(encoding='utf-8').splitlines()[0]}")
    shutil.rmtree(folder / "work")
    return len(found)


def replay(path: Path, name: str) -> int:
    """Read one kept input here, with its traceback."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "work").mkdir()
        Reader(PARSERS[name], Path(folder), keep=False)(path.read_bytes())
    print(f"{path}: read or refused as it should be")
    return 0


def main() -> int:
    """Read the arguments and go."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="for all parsers together")
    parser.add_argument("--parser", action="append", choices=PARSERS, help="default: all")
    parser.add_argument("--out", type=Path, help="findings and corpus; a temporary folder if left")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--memory-mb", type=int, default=1500, help="beyond what the imports take")
    parser.add_argument("--seconds-each", type=float, default=20.0, help="processor time an input")
    parser.add_argument("--replay", type=Path, help="read one kept input again and show the fault")
    given = parser.parse_args()
    names = given.parser or list(PARSERS)
    if given.replay:
        return replay(given.replay, names[0])
    folder = given.out or Path(tempfile.mkdtemp(prefix="treescan_fuzz_"))
    return 1 if fuzz(folder, names, given) else 0


if __name__ == "__main__":
    sys.exit(main())
