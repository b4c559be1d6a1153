"""A scan that is replaced while it is read gives an error, never a mixture of two scans."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from treescan.errors import ScanError


@contextlib.contextmanager
def unchanged(paths: Sequence[Path]) -> Iterator[None]:
    """Hold files to the size, time and place on disk that they have when the block begins.

    Raises
    ------
    ScanError
        When one of them is another at the end, also in place of the fault that this caused.
    """
    before = [_mark(path) for path in paths]
    try:
        yield
    except Exception as fault:
        _compare(paths, before, fault)
        raise
    _compare(paths, before, None)


def _mark(path: Path) -> tuple[int, int, int] | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_size, facts.st_mtime_ns, facts.st_ino


def _compare(
    paths: Sequence[Path], before: list[tuple[int, int, int] | None], cause: Exception | None
) -> None:
    for path, mark in zip(paths, before, strict=True):
        if _mark(path) != mark:
            raise ScanError(
                f"{path}: was changed or replaced while it was being read, so what was read is no "
                "single scan. Wait until the file is complete and run again."
            ) from cause
