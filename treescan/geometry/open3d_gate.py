"""The only door to open3d.

On a bare Linux ``import open3d`` fails without libusb; PyPI's ``libusb-package`` carries one,
which is loaded first.  Missing GL libraries cannot be had from PyPI, so the error names them.
"""

from __future__ import annotations

import ctypes
import sys
from functools import lru_cache
from typing import Any

from treescan.errors import TreescanError


class Open3dMissingError(TreescanError):
    """open3d cannot be loaded on this machine."""

    exit_status = 1


@lru_cache(maxsize=1)
def open3d() -> Any:
    """Import open3d, with its missing system libraries coped with where possible.

    Raises
    ------
    Open3dMissingError
        Naming the library that is missing and the line that installs it.
    """
    if sys.platform == "linux":
        _load_libusb()
    try:
        import open3d

        return open3d
    except (ImportError, OSError) as fault:
        raise Open3dMissingError(
            f"open3d cannot be loaded: {fault}. On Debian or Ubuntu run: "
            "apt-get install -y libgl1 libegl1 libx11-6 libgomp1 libusb-1.0-0"
        ) from fault


def _load_libusb() -> None:
    try:
        import libusb_package

        path = libusb_package.get_library_path()
        if path:
            ctypes.CDLL(str(path), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        return  # the system's own libusb may do; the import of open3d tells
