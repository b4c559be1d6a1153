"""The process that does the reading, so that what breaks it breaks nothing else.

With atheris (coverage-guided) where it is installed, else by mutation of the seeds alone.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import mmap
import random
import resource
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from types import FunctionType, ModuleType

from tests.fuzz.mutation import mutated
from tests.fuzz.parsers import LONGEST_MESSAGE, PARSERS, BadAnswer, Parser

LARGEST_INPUT = 20_000


class Reader:
    """Reads one input after the other and keeps what breaks, once a kind."""

    def __init__(self, parser: Parser, folder: Path, *, keep: bool = True) -> None:
        self.parser = parser
        self.folder = folder
        self.keep = keep
        self.current = folder / "work" / parser.name / parser.file_name
        self.current.parent.mkdir(parents=True, exist_ok=True)
        self.findings = folder / "findings"
        self.findings.mkdir(exist_ok=True)
        count = folder / "work" / f"{parser.name}.count"
        if not count.exists():
            count.write_bytes(bytes(16))
        with count.open("r+b") as file:
            self._count = mmap.mmap(file.fileno(), 16)

    def __call__(self, data: bytes) -> None:
        """Read one input."""
        from treescan.errors import TreescanError

        data = self.parser.mend(data)
        self.current.write_bytes(data)
        self._add(0)
        try:
            self.parser.read(self.current)
            self._add(8)
        except TreescanError as refusal:
            text = str(refusal)
            if "\n" in text or len(text) > LONGEST_MESSAGE:
                self._found(data, BadAnswer(f"a message of {len(text)} letters: {text[:200]!r}"))
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException as fault:  # noqa: BLE001  - whatever a reader raises is the finding
            self._found(data, fault)

    def _add(self, at: int) -> None:
        value = int.from_bytes(self._count[at : at + 8], "little") + 1
        self._count[at : at + 8] = value.to_bytes(8, "little")

    def _found(self, data: bytes, fault: BaseException) -> None:
        if not self.keep:
            raise fault
        own = [f for f in traceback.extract_tb(fault.__traceback__) if "treescan" in f.filename]
        place = f"{Path(own[-1].filename).name}:{own[-1].name}" if own else "?"
        kind = f"{type(fault).__name__} in {place}"
        if isinstance(fault, BadAnswer):
            kind += str(fault)[:30]
        name = f"{self.parser.name}-{hashlib.sha256(kind.encode()).hexdigest()[:12]}"
        note = self.findings / f"{name}.txt"
        if not note.exists():
            (self.findings / f"{name}.bin").write_bytes(data)
            note.write_text(
                f"{kind}\n" + "".join(traceback.format_exception(fault)), encoding="utf-8"
            )


def _limit_memory(megabytes: int) -> None:
    """Address space beyond what the imports took: a greedy allocation becomes a MemoryError."""
    now = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limit = now + megabytes * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def by_coverage(reader: Reader, seconds: int, seed: int, megabytes: int) -> None:
    """Let atheris drive; never returns."""
    import atheris

    packages = [name for name in reader.parser.instrumented if "." not in name]
    with warnings.catch_warnings(), atheris.instrument_imports(include=packages):
        warnings.simplefilter("ignore")
        for name in packages:
            importlib.import_module(name)
    for name in reader.parser.instrumented:
        if name not in packages:
            _instrument(importlib.import_module(name), atheris.instrument_func)
    _warm_up(reader)
    shape = reader.parser.shape

    def mutate(data: bytes, largest: int, number: int) -> bytes:
        if number % 2:
            return bytes(atheris.Mutate(data, largest))
        return mutated(data, shape, random.Random(number))[:largest]

    corpus = reader.folder / "corpus" / reader.parser.name
    corpus.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(reader.parser.seeds()):
        (corpus / f"seed-{number}").write_bytes(data)
    options = [
        f"-max_total_time={seconds}", f"-seed={seed}", f"-max_len={LARGEST_INPUT}",
        "-timeout=86400",
        "-rss_limit_mb=0", "-malloc_limit_mb=0", "-print_final_stats=0", "-verbosity=0",
        f"-artifact_prefix={reader.folder}/work/",
    ]  # fmt: skip
    atheris.Setup([sys.argv[0], *options, str(corpus)], reader, custom_mutator=mutate)
    _limit_memory(megabytes)
    atheris.Fuzz()


def _instrument(module: ModuleType, instrument: Callable[[object], object]) -> None:
    """Count branches in the module's own functions; compiled kernels are left as they are."""
    for item in vars(module).values():
        inner = vars(item).values() if isinstance(item, type) else [item]
        for function in inner:
            if isinstance(function, FunctionType) and function.__module__ == module.__name__:
                instrument(function)


def by_mutation(reader: Reader, seconds: int, seed: int, megabytes: int) -> None:
    """Mutants of the valid seeds until the time is over."""
    rng = random.Random(seed)
    seeds = reader.parser.seeds()
    _warm_up(reader)
    _limit_memory(megabytes)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        reader(mutated(rng.choice(seeds), reader.parser.shape, rng))


def _warm_up(reader: Reader) -> None:
    for data in reader.parser.seeds():
        reader(data)


def engine() -> tuple[str, Callable[[Reader, int, int, int], None]]:
    """Name and function of what drives the mutation."""
    try:
        import atheris  # noqa: F401
    except ImportError:
        return "mutation", by_mutation
    return "coverage (atheris)", by_coverage


def main() -> None:
    """One batch of one parser."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.child")
    parser.add_argument("name", choices=PARSERS)
    parser.add_argument("folder", type=Path)
    parser.add_argument("seconds", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("megabytes", type=int)
    given = parser.parse_args()
    reader = Reader(PARSERS[given.name], given.folder)
    warnings.simplefilter("ignore")
    drive = by_mutation if reader.parser.native else engine()[1]
    drive(reader, given.seconds, given.seed, given.megabytes)


if __name__ == "__main__":
    main()
