"""Outputs appear whole or not at all.

Everything is written into a temporary folder beside the wanted one, which is then renamed into
place.  A folder that treescan did not write is never replaced.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from treescan.errors import OutputError

OWN_FILES = ("tree.json", "plan.json", "batch.csv", "haul.csv")
_PARTIAL = ".treescan-partial-"


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
        partial = Path(tempfile.mkdtemp(prefix=f"{_PARTIAL}{os.getpid()}-", dir=folder.parent))
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
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError(f"{folder} is not a folder. Give --out another name.")
    if not folder.exists() or not any(folder.iterdir()):
        return
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


def _move_into_place(partial: Path, folder: Path, *, overwrite: bool) -> None:
    check_free(folder, overwrite=overwrite)
    if not folder.exists():
        partial.rename(folder)
        return
    aside = Path(tempfile.mkdtemp(prefix=f"{_PARTIAL}{os.getpid()}-old-", dir=folder.parent))
    try:
        folder.rename(aside / "old")
        try:
            partial.rename(folder)
        except OSError:
            (aside / "old").rename(folder)
            raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _clear_stale(parent: Path) -> None:
    """Remove what a killed run left behind (its process is gone)."""
    for left in parent.glob(f"{_PARTIAL}*"):
        owner = left.name[len(_PARTIAL) :].split("-")[0]
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
        return OutputError(f"the name of the output folder is too long ({len(folder.name)}).")
    return OutputError(f"{folder} could not be written: {fault}.")
