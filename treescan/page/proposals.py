"""Things the scan seems to show, for a person to accept, change or ignore.

``measure`` writes them to ``proposed_site.toml``: an entry each, with how sure the scan is of it
in a comment.  Open ground comes as comments only: whether wood may fall there a person says.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import shapely

from treescan.site.model import Site

FILE = "proposed_site.toml"
_MARK = re.compile(r"#\s*proposed, how sure: (\d?\.\d+|\d)(?:\s*\((.*)\))?")
SAME_SHARE = 0.3
"""Share of a proposal's ground that a marked thing must cover to be the same thing."""
Part = Literal["target", "conductor", "drop_zone"]
PARTS: tuple[Part, ...] = ("target", "conductor", "drop_zone")


@dataclass(frozen=True)
class Found:
    """One thing the scan seems to show.

    Attributes
    ----------
    key : str
        Name and place, the same when the scan is measured again.
    part : str
        Part of the site file it would belong to; ``drop_zone`` for open ground.
    entry : dict
        Values of the site file's entry, in scan coordinates.  [m]
    how_sure : float
        0..1.
    remark : str
    """

    key: str
    part: Part
    entry: dict[str, Any]
    how_sure: float
    remark: str

    @property
    def name(self) -> str:
        """Its name until somebody gives it a better one."""
        return str(self.entry["name"])

    @property
    def corners_m(self) -> list[list[float]]:
        """Corners or points of its path, (k, 2) or (k, 3). [m]"""
        corners: list[list[float]] = self.entry.get("footprint_m") or self.entry["path_m"]
        return corners


def read_proposals(folder: Path) -> tuple[Found, ...]:
    """Read the proposals of a measured scan; none when there is no file."""
    try:
        text = (folder / FILE).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ()
    found = (_found(block) for block in re.split(r"\n\s*\n", text))
    return tuple(item for item in found if item is not None)


def _found(block: str) -> Found | None:
    mark = _MARK.search(block)
    if mark is None:
        return None
    rows = [row for row in block.splitlines() if not _MARK.match(row)]
    commented = all(row.startswith("#") for row in rows)
    body = "\n".join(row.lstrip("# ") for row in rows) if commented else "\n".join(rows)
    try:
        data = tomllib.loads(body)
        part: Part | None = next((key for key in PARTS if data.get(key)), None)
        if part is None:
            return None
        Site.model_validate({part: data[part]})
    except (ValueError, RecursionError):
        return None
    entry = data[part][0]
    corners = entry.get("footprint_m") or entry["path_m"]
    x, y = np.asarray(corners, dtype=float)[:, :2].mean(axis=0)
    key = f"{entry['name'].rstrip(' 0123456789')} {x:.0f} {y:.0f}"
    return Found(key, part, entry, float(mark[1]), mark[2] or "")


def already_marked(found: Found, site: Site) -> str:
    """Name of the marked thing that covers a proposal; "" when there is none."""
    shape = _shape(found.entry)
    things: list[Any] = [*site.drop_zone, *site.landing]
    if found.part != "drop_zone":
        things = [*site.target, *site.conductor]
    for thing in things:
        covered = shape.intersection(_shape(thing.model_dump()).buffer(0.5)).area
        if covered > SAME_SHARE * shape.area:
            return str(thing.name)
    return ""


def _shape(entry: Mapping[str, Any]) -> Any:
    """Ground that an entry covers; a path is as wide as it says, at least 0.4 m."""
    if entry.get("footprint_m"):
        return shapely.Polygon([c[:2] for c in entry["footprint_m"]]).buffer(0)
    path = shapely.LineString([c[:2] for c in entry["path_m"]])
    return path.buffer(max(0.2, float(entry.get("width_m", 0.1)) / 2.0))
