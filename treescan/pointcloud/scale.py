"""Which unit and which axis is up: as stated, else decided from the geometry and said aloud."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.errors import InvalidInputError, ScanError
from treescan.pointcloud.cloud import UNIT_DOUBT, Float32s, Floats
from treescan.pointcloud.source import Chunk
from treescan.units import FOOT_M, INCH_M, US_SURVEY_FOOT_M

UNIT_M = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": FOOT_M,
    "us-ft": US_SURVEY_FOOT_M,
    "in": INCH_M,
}
"""Metres in one unit of length."""

UNIT_WORDS = {
    "m": "metres",
    "cm": "centimetres",
    "mm": "millimetres",
    "ft": "feet",
    "us-ft": "US survey feet",
    "in": "inches",
}
_ALIASES = {
    "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "centimetre": "cm", "centimetres": "cm", "foot": "ft", "feet": "ft",
    "us survey foot": "us-ft", "us survey feet": "us-ft", "us-foot": "us-ft", "usft": "us-ft",
    "ftus": "us-ft", "inch": "in", "inches": "in",
}  # fmt: skip

FARTHEST = 1e12
"""No coordinate of a scan is larger, in any unit: the girth of the Earth is 4e10 mm."""

PLAUSIBLE_HEIGHT_M = (1.0, 90.0)
"""Vertical extent of scans of trees in yards; outside it the unit is doubted. [m]"""

TALLEST_TREE_M = 120.0
"""A scan up to so high could be of one of the tallest trees on Earth, redwoods of about 115 m
[from memory]. [m]"""

DOUBTED_M = 25.0
"""From this height in metres on, the same number of feet is a common height of a yard tree. [m]"""


LOW_M = 3.0
"""Few trees so low are taken down in pieces, and ten times as high they are common. [m]"""


@dataclass(frozen=True)
class Frame:
    """How file coordinates become metres with z up.

    Attributes
    ----------
    unit : str
        Name in :data:`UNIT_M`.
    up : str
        "z" or "y".
    decisions : tuple of str
        What was decided and why.
    guessed : bool
        The unit was decided from the height alone.
    """

    unit: str
    up: str
    decisions: tuple[str, ...]
    guessed: bool = False

    def metres(self, xyz: Floats) -> Floats:
        """File coordinates ``xyz`` (n, 3) to metres, z up; Y-up files are turned about x. [m]"""
        size = UNIT_M[self.unit]
        if self.up == "y":
            turned: Floats = np.column_stack((xyz[:, 0], -xyz[:, 2], xyz[:, 1])) * size
            return turned
        return xyz if size == 1.0 else xyz * size

    def local(self, chunk: Chunk, origin_m: Floats) -> Float32s:
        """Metres from the origin with z up, shape (n, 3), in one pass over the stored numbers.

        ``origin_m`` (3,) is what the whole scan is moved by. [m]
        """
        size = UNIT_M[self.unit]
        result = np.empty((len(chunk), 3), dtype=np.float32)
        offset = np.array(chunk.offset) * size
        if self.up == "y":
            shift = offset - np.array([origin_m[0], origin_m[2], -origin_m[1]])
        else:
            shift = offset - origin_m
        _local_kernel(chunk.stored, np.array(chunk.scale) * size, shift, self.up == "y", result)
        return result


@njit(cache=True, nogil=True)
def _local_kernel(stored: Any, scale: Any, shift: Any, y_up: bool, result: Any) -> None:
    for i in range(stored.shape[0]):
        x = stored[i, 0] * scale[0] + shift[0]
        y = stored[i, 1] * scale[1] + shift[1]
        z = stored[i, 2] * scale[2] + shift[2]
        if y_up:
            y, z = -z, y
        result[i, 0] = x
        result[i, 1] = y
        result[i, 2] = z


def unit_named(name: str) -> str:
    """The unit's short name.

    Raises
    ------
    InvalidInputError

    Examples
    --------
    >>> unit_named("feet")
    'ft'
    """
    short = _ALIASES.get(name.strip().lower(), name.strip().lower())
    if short not in UNIT_M:
        raise InvalidInputError(
            f"scan units '{name}' are not known; use one of {', '.join(UNIT_M)}"
        )
    return short


def decide_up(xyz: Floats) -> tuple[str, str]:
    """Up axis of a cloud and the reason, from the flatness of its lowest surface.

    Parameters
    ----------
    xyz : ndarray, shape (n, 3)
        Any one unit.
    """
    low, high = np.percentile(xyz, [0.5, 99.5], axis=0)
    extent = np.maximum(high - low, 1e-12)
    flat = {name: _floor_roughness(xyz, axis) for name, axis in (("z", 2), ("y", 1))}
    if extent[2] > 2.0 * max(extent[0], extent[1]):
        return "z", "the scan is tallest along z"
    if extent[1] > 2.0 * max(extent[0], extent[2]):
        return "y", "the scan is tallest along y"
    if flat["y"] < 0.6 * flat["z"]:
        return "y", "the lowest surface is level across y, not z"
    return "z", "the lowest surface is level across z"


def _floor_roughness(xyz: Floats, axis: int) -> float:
    """Spread of the lowest point per column about a plane, as a share of the extent."""
    across = [k for k in range(3) if k != axis]
    low, high = np.percentile(xyz, [0.5, 99.5], axis=0)
    inside = np.all((xyz >= low) & (xyz <= high), axis=1)
    points = xyz[inside]
    if len(points) < 50:
        return 1.0
    extent = np.maximum(high - low, 1e-12)
    cell = max(extent[across[0]], extent[across[1]]) / 40.0
    i = ((points[:, across[0]] - low[across[0]]) / cell).astype(np.int64)
    j = ((points[:, across[1]] - low[across[1]]) / cell).astype(np.int64)
    column = i * 64 + j
    floor = np.full(int(column.max()) + 1, np.inf)
    np.minimum.at(floor, column, points[:, axis])
    filled = np.flatnonzero(np.isfinite(floor))
    design = np.column_stack((filled // 64, filled % 64, np.ones(len(filled))))
    heights = floor[filled]
    for _ in range(3):
        plane, *_ = np.linalg.lstsq(design, heights, rcond=None)
        rest = heights - design @ plane
        keep = rest <= np.median(rest) + 1e-9
        if keep.sum() < 6:
            break
        design, heights = design[keep], heights[keep]
    plane_rest = (
        floor[filled] - np.column_stack((filled // 64, filled % 64, np.ones(len(filled)))) @ plane
    )
    return float(np.median(np.abs(plane_rest)) / extent[axis])


def decide_unit(height: float) -> tuple[str, str, str]:
    """Unit that gives a scan of this vertical extent a plausible height, the reason, and a warning.

    Parameters
    ----------
    height : float
        Vertical extent in file units.

    Returns
    -------
    unit, why : str
    doubt : str
        A sentence for people where another unit is plausible too, else "".
    """
    low, high = PLAUSIBLE_HEIGHT_M
    for unit in ("m", "ft", "mm"):
        metres = height * UNIT_M[unit]
        if low <= metres <= high:
            why = f"it is then {metres:.1f} m high, which is plausible"
            if unit == "m" and low <= height * FOOT_M and height <= DOUBTED_M:
                why += f" (were the file in feet, {height * FOOT_M:.1f} m)"
            return unit, why, _doubt(unit, height)
    return (
        "m",
        f"no unit makes a height of {height:.3g} plausible; check the scan units",
        (f"WARNING: no unit makes the scan's height of {height:.3g} plausible; say scan units."),
    )


def _doubt(unit: str, height: float) -> str:
    """What the height would be in another unit, where that is plausible too.

    Nothing else in a scan of trees tells metres from feet: stems, spacing and walls of either
    reading lie within what is usual of the other.
    """
    if unit == "m" and height > DOUBTED_M:
        other = "ft"
    elif unit == "ft" and height <= TALLEST_TREE_M:
        other = "m"
    elif unit == "mm" and height * UNIT_M["mm"] < LOW_M:
        other = "cm"
    else:
        return ""
    taken, instead = height * UNIT_M[unit], height * UNIT_M[other]
    return (
        f"WARNING: {UNIT_DOUBT}{UNIT_WORDS[other]}, the scan is {instead:.1f} m high and not "
        f"{taken:.1f} m: measure one length, and say scan units."
    )


def decide_frame(
    xyz: Floats,
    *,
    stated_unit: str | None = None,
    unit_reason: str = "",
    stated_up: str | None = None,
    up_reason: str = "",
    scan_units: str | None = None,
    up: str | None = None,
    height: float | None = None,
) -> Frame:
    """Unit and up axis, with the reasons in words.

    Parameters
    ----------
    xyz : ndarray, shape (n, 3)
        A sample of the scan in file units.
    scan_units, up : str, optional
        What the user says; overrules everything.
    height : float, optional
        Vertical extent in file units, where more is known than this sample.

    Raises
    ------
    InvalidInputError
        For a unit or axis that is not known.
    ScanError
        For coordinates beyond anything on Earth.
    """
    if up is not None and up.lower() not in ("z", "y"):
        raise InvalidInputError(f"up axis '{up}' is not known; use z or y")
    finite = xyz[np.all(np.isfinite(xyz), axis=1)]
    if len(finite) and float(np.abs(finite).max()) > FARTHEST:
        raise ScanError(
            f"a coordinate of the scan is {np.abs(finite).max():.3g}, beyond all on Earth in any "
            "unit; the file is damaged or its columns are no coordinates"
        )
    said: list[str] = []
    doubt = ""
    if up is not None:
        axis, why = up.lower(), "as told"
    elif stated_up is not None:
        axis, why = stated_up, up_reason
    else:
        axis, why = decide_up(finite)
    said.append(f"up axis {axis}: {why}")
    height = vertical_extent(finite, axis) if height is None else height
    if scan_units is not None:
        unit, why = unit_named(scan_units), "as told"
    elif stated_unit is not None:
        unit, why = stated_unit, unit_reason
    else:
        unit, why, doubt = decide_unit(height)
        why = f"the file does not say; {why}"
    said.append(f"scan units {UNIT_WORDS[unit]}: {why}")
    guessed = scan_units is None and stated_unit is None
    if not guessed:
        doubt = _implausible(height, unit)
    if doubt:
        said.append(doubt)
    return Frame(unit, axis, tuple(said), guessed)


def vertical_extent(xyz: npt.NDArray[Any], up: str) -> float:
    """Height of a cloud without its outermost thousandths, in its own unit.

    Parameters
    ----------
    xyz : ndarray, shape (n, 3)
    up : str
        "z" or "y".
    """
    column = xyz[:, 2 if up == "z" else 1]
    column = column[np.isfinite(column)]
    return float(np.subtract(*np.percentile(column, [99.9, 0.1]))) if len(column) else 0.0


def _implausible(height: float, unit: str) -> str:
    metres = height * UNIT_M[unit]
    if PLAUSIBLE_HEIGHT_M[0] * 0.5 <= metres <= PLAUSIBLE_HEIGHT_M[1] * 1.5:
        return ""
    return (
        f"WARNING: with these units the scan is {metres:.3g} m high, which no scan of a tree "
        "should be; check the scan units."
    )


def middle(xyz: npt.NDArray[np.float64]) -> Floats:
    """Whole metres near the middle of the scan ``xyz`` (n, 3), shape (3,). [m]"""
    finite = xyz[np.all(np.isfinite(xyz), axis=1)]
    centre: Floats = np.rint(np.median(finite, axis=0))
    return centre
