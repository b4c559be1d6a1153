"""Citations of published values, by key.

Every row of a table under ``treescan/*/data`` names its source by a key of ``sources.toml``
(several keys are joined by ``;``) and its place there in a ``locator`` column.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

from treescan.errors import SourceDataError


@cache
def _table() -> dict[str, str]:
    raw = tomllib.loads(files("treescan").joinpath("sources.toml").read_text(encoding="utf-8"))
    return {key: str(entry["text"]) for key, entry in raw.items()}


def citation(key: str) -> str:
    """Full citation of a key, or of several joined by ``;``.

    Raises
    ------
    SourceDataError
        A key is not in ``sources.toml``.

    Examples
    --------
    >>> citation("kane-2007").split(".")[0]
    'Kane, B'
    """
    parts = [part.strip() for part in key.split(";") if part.strip()]
    unknown = [part for part in parts if part not in _table()]
    if unknown or not parts:
        raise SourceDataError(
            f"source key {unknown or key!r} is not in treescan/sources.toml; add it there."
        )
    return " | ".join(_table()[part] for part in parts)
