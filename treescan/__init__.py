"""Plan the removal of a tree from a scan."""

from treescan._version import __version__

__all__ = ["__version__"]
