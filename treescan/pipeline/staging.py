"""Outputs appear whole or not at all.

Everything is written into a temporary folder beside the wanted one, which is then renamed into
place.  On Linux an earlier result changes places with the new one in a single call, so that a
run killed at any moment leaves either the old result or the new one.  A folder that treescan did
not write is never replaced.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import re
import shutil
import socket
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from treescan.errors import OutputError

OWN_FILES = ("tree.json", "plan.json", "batch.csv", "haul.csv")
_PARTIAL = ".treescan-partial-"
_TRIES = 5


@contextlib.contextmanager
def staged_folder(folder: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Yield a temporary folder that takes the place of ``folder`` when the block succeeds.

    Parameters
    ----------
    folder : Path
        Where the outputs are wanted.
    overwrite : bool
        Replace a folder written by an earlier run.

    Raises
    ------
    OutputError
        If the folder is in the way, is not ours, cannot be written, or the disk is full.
    """
    folder = Path(os.path.abspath(folder))  # noqa: PTH100  (resolve() would follow a link)
    check_free(folder, overwrite=overwrite)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        _clear_stale(folder.parent)
        partial = Path(tempfile.mkdtemp(prefix=f"{_own_mark()}{os.getpid()}-", dir=folder.parent))
    except OSError as fault:
        raise _output_error(folder, fault) from fault
    try:
        yield partial
        partial.chmod(0o755)
        _move_into_place(partial, folder, overwrite=overwrite)
    except OSError as fault:
        raise _output_error(folder, fault) from fault
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def check_free(folder: Path, *, overwrite: bool) -> None:
    """Refuse early when ``folder`` is in the way, before any long work is done.

    Raises
    ------
    OutputError
        With the option or the action that mends it.
    """
    try:
        if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
            raise OutputError(f"{folder} is not a folder. Give --out another name.")
        _refuse_unwritable(folder)
        if not folder.exists() or not any(folder.iterdir()):
            return
    except OSError as fault:
        raise _output_error(folder, fault) from fault
    ours = any((folder / name).is_file() for name in OWN_FILES)
    if not ours:
        raise OutputError(
            f"{folder} holds files that treescan did not write. Give --out a new folder."
        )
    if not overwrite:
        raise OutputError(
            f"{folder} already holds results. Pass --overwrite to replace them, "
            "or give --out another folder."
        )


def _refuse_unwritable(folder: Path) -> None:
    place = folder.absolute().parent
    while not place.exists() and place != place.parent:
        place = place.parent
    if not os.access(place, os.W_OK | os.X_OK):
        raise OutputError(
            f"{folder} cannot be written: {place} is read-only. Choose another --out."
        )


def _move_into_place(partial: Path, folder: Path, *, overwrite: bool) -> None:
    """Rename ``partial`` to ``folder``; when another run is quicker, look again."""
    for _ in range(_TRIES):
        check_free(folder, overwrite=overwrite)
        try:
            if not folder.exists():
                partial.rename(folder)
            elif not _exchanged(partial, folder):
                _replace_in_two(partial, folder)
        except OSError as fault:
            if fault.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT):
                raise
        else:
            return
    raise OutputError(
        f"{folder} is being written by another run. Wait for it, or give --out another folder."
    )


def _exchanged(partial: Path, folder: Path) -> bool:
    """Let two folders change places in one call; False where the system cannot (not Linux)."""
    if not sys.platform.startswith("linux"):
        return False
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE of renameat2(2)
    status: int = call(here, os.fsencode(partial), here, os.fsencode(folder), exchange)
    if status == 0:
        return True
    if ctypes.get_errno() == errno.ENOENT:
        raise OSError(errno.ENOENT, os.strerror(errno.ENOENT), str(folder))
    return False


def _replace_in_two(partial: Path, folder: Path) -> None:
    aside = Path(tempfile.mkdtemp(prefix=f"{_own_mark()}{os.getpid()}-old-", dir=folder.parent))
    try:
        folder.rename(aside / "old")
        try:
            partial.rename(folder)
        except OSError:
            if not folder.exists():
                (aside / "old").rename(folder)
            raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _own_mark() -> str:
    """Start of the names of this machine's temporary folders (a share may have several)."""
    return f"{_PARTIAL}{re.sub(r'[^A-Za-z0-9]', '', socket.gethostname())[:40]}-"


def _clear_stale(parent: Path) -> None:
    """Remove what a killed run on this machine left behind (its process is gone)."""
    mark = _own_mark()
    for left in parent.glob(f"{mark}*"):
        owner = left.name[len(mark) :].split("-")[0]
        if owner.isdigit() and int(owner) != os.getpid() and not _alive(int(owner)):
            shutil.rmtree(left, ignore_errors=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _output_error(folder: Path, fault: OSError) -> OutputError:
    if fault.errno == errno.ENOSPC:
        return OutputError(f"disk full while writing {folder}. Free some space and run again.")
    if fault.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return OutputError(f"{folder} cannot be written: {fault.strerror}. Choose another --out.")
    if fault.errno == errno.ENAMETOOLONG:
        return OutputError(
            f"the name of the output folder is too long ({len(folder.name)} letters, path "
            f"{len(str(folder))}). Give --out a shorter one."
        )
    return OutputError(f"{folder} could not be written: {fault}.")
