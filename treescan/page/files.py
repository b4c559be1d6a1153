"""Files of a job: written whole, told apart by content."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path

from treescan.errors import OutputError


def write_whole(path: Path, text: str) -> None:
    """Write a text file so that a reader or a power cut finds the old one or the new one.

    Raises
    ------
    OutputError
        If the disk is full or the folder cannot be written.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as fault:
        partial.unlink(missing_ok=True)
        raise unsaved(path, fault) from fault


def unsaved(path: Path, fault: OSError) -> OutputError:
    """Say why a file could not be saved, and what helps."""
    if fault.errno in (errno.ENOSPC, errno.EDQUOT):
        return OutputError(
            f"{path.name} could not be saved: the disk of the laptop is full. Free some space; "
            "what was saved before is kept."
        )
    return OutputError(
        f"{path.name} could not be saved: {fault.strerror or fault}. Check the job folder."
    )


def content_mark(path: Path) -> str:
    """Hash of a file's content; "" when there is no such file."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def quick_mark(path: Path) -> str:
    """Size, time and place on disk: another value means that the content may have changed."""
    try:
        facts = path.stat()
    except OSError:
        return ""
    return f"{facts.st_mtime_ns:x}-{facts.st_size:x}-{facts.st_ino:x}"


def result_mark(folder: Path, name: str) -> str:
    """Mark of a result folder, unchanged when the folder is moved; "" when there is none."""
    try:
        facts = (folder / name).stat()
    except OSError:
        return ""
    return f"{facts.st_mtime_ns:x}-{facts.st_size:x}"
