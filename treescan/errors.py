"""Exceptions raised by treescan on purpose.

TreescanError
├── InvalidInputError   a value outside what a model accepts (is a ValueError)
│   └── SiteFileError   the site file is wrong: names the key and the remedy
├── ScanError           the scan cannot carry the answer (unreadable, too sparse, no ground)
├── SourceDataError     a table of published values lacks the row asked for
└── OutputError         results could not be written

A job that no plan fits is a value, not an exception; the command then ends with EXIT_NO_PLAN.

Every message is one line: what is wrong, where, the limit, how to mend it.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_FAULT = 1
EXIT_BAD_INPUT = 2
EXIT_NO_PLAN = 3


class TreescanError(Exception):
    """Base class: catching it catches everything treescan raises on purpose."""

    exit_status = EXIT_BAD_INPUT


class InvalidInputError(TreescanError, ValueError):
    """A value outside the range a model accepts."""


class SiteFileError(InvalidInputError):
    """The site file cannot be used as it is."""


class ScanError(TreescanError):
    """The scan cannot carry the answer asked of it."""


class SourceDataError(TreescanError, LookupError):
    """A table of published values has no row for the request."""


class OutputError(TreescanError):
    """Results could not be written where they were wanted."""
