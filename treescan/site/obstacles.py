"""What stands around the tree as solids with exact distances, and where pieces may land.

Targets become upright prisms (a footprint, or a band about a path) that stand on the local
ground; conductors become lines in space.  All in the scan's local frame, metres.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from treescan.errors import SiteFileError
from treescan.pointcloud.cloud import Ground
from treescan.site.distances import (
    BAND,
    POLYGON,
    WIRE,
    Solids,
    nearest_ball,
    signed_distance,
)
from treescan.site.model import Conductor, DropZone, Landing, Site, Target
from treescan.site.reading import LOW_VOLTAGE_KV, conductor_distance_m

Floats = npt.NDArray[np.float64]

SURFACE_ENERGY_J = {
    "turf": 30e3,
    "bare soil": 60e3,
    "brush mat": 120e3,
    "paving": 2e3,
}
"""Impact energy a surface is given to take when the site file sets no limit. [J]

Our choice, no source: of the size of a 300 kg log from 10 m (30 kJ) on turf; paving is spared.
"""

BAND_STEP_M = 1.0
"""A fence follows the ground in pieces of at most this length. [m]"""

WIRE_RADIUS_M = 0.02

STRAIGHT_SPAN_M = 10.0
"""A wire drawn with longer straight parts than this gets a note that it sags: our choice."""


@dataclass(frozen=True)
class Zone:
    """Ground where pieces may land.

    Attributes
    ----------
    corners_m : ndarray, shape (k, 2)
    surface : str
    max_energy_j : float
        Impact energy it may take. [J]
    ground_m : float
        Mean ground height under it. [m]
    """

    name: str
    kind: str
    corners_m: Floats
    surface: str
    max_energy_j: float
    ground_m: float

    @property
    def centre_m(self) -> Floats:
        """Point well inside the zone, shape (3,). [m]"""
        point = shapely.maximum_inscribed_circle(shapely.Polygon(self.corners_m)).coords[0]
        return np.array([point[0], point[1], self.ground_m])


@dataclass(frozen=True)
class Obstacles:
    """Targets and conductors, in the order of the site file, and the zones.

    Attributes
    ----------
    names : tuple of str
        Targets first, then conductors.
    margin_m : ndarray, shape (n,)
        Distance to keep from each. [m]
    is_conductor : ndarray, shape (n,), bool
    solids : Solids
        Flat arrays for the distance kernels.
    drop_zones, landings : tuple of Zone
        ``landings`` are the drop zones when the site names none.
    notes : tuple of str
        Assumptions to show beside the plan.
    """

    names: tuple[str, ...]
    margin_m: Floats
    is_conductor: npt.NDArray[np.bool_]
    solids: Solids
    drop_zones: tuple[Zone, ...] = ()
    landings: tuple[Zone, ...] = ()
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.names)

    def distance(self, centre_m: npt.ArrayLike, radius_m: npt.ArrayLike = 0.0) -> Floats:
        """Signed distance of balls to every target and conductor.

        Parameters
        ----------
        centre_m : array_like, shape (k, 3)
        radius_m : array_like, shape (k,) or scalar

        Returns
        -------
        ndarray, shape (k, n)
            Negative inside. [m]  Where parts of one target overlap, the depth is that of the
            deepest single part.
        """
        result: Floats = signed_distance(*_balls(centre_m, radius_m), self.solids)
        return result

    def nearest(
        self, centre_m: npt.ArrayLike, radius_m: npt.ArrayLike = 0.0
    ) -> tuple[Floats, npt.NDArray[np.int64]]:
        """Least of :meth:`distance` over the balls [m] and which ball has it, shape (n,) each."""
        gap, ball = nearest_ball(*_balls(centre_m, radius_m), self.solids)
        return gap, ball


def _balls(centre_m: npt.ArrayLike, radius_m: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Centres (k, 3) and radii (k,) as the kernels take them."""
    centre = np.ascontiguousarray(np.atleast_2d(np.asarray(centre_m, dtype=np.float64)))
    radius = np.broadcast_to(np.asarray(radius_m, dtype=np.float64), (len(centre),))
    return centre, np.ascontiguousarray(radius)


@dataclass
class _Parts:
    """Lists that grow while the solids are gathered."""

    kind: list[int]
    owner: list[int]
    vertices: list[Floats]
    bottom: list[float]
    top: list[float]
    half_width: list[float]

    def add(
        self, kind: int, owner: int, vertices: Floats, span: tuple[float, float, float]
    ) -> None:
        self.kind.append(kind)
        self.owner.append(owner)
        self.vertices.append(vertices)
        self.bottom.append(span[0])
        self.top.append(span[1])
        self.half_width.append(span[2])


def build_obstacles(site: Site, ground: Ground) -> Obstacles:
    """Turn a localised site into solids and zones.

    Parameters
    ----------
    site : Site
        In the local frame (see :meth:`treescan.site.model.Site.localised`).
    ground : Ground

    Raises
    ------
    SiteFileError
        If the site is still in scan coordinates.
    """
    if not site.local:
        raise SiteFileError(
            "site: its coordinates are still the scan's; call localised(origin) before use."
        )
    parts = _Parts([], [], [], [], [], [])
    notes: list[str] = []
    for owner, target in enumerate(site.target):
        _add_target(parts, owner, target, ground)
    margins = [target.margin_m for target in site.target]
    for owner, conductor in enumerate(site.conductor, start=len(site.target)):
        margins.append(_add_conductor(parts, owner, conductor, notes))
    count = len(site.target)
    drop_zones = tuple(_zone(part, "drop zone", ground) for part in site.drop_zone)
    landings = tuple(_zone(part, "landing", ground) for part in site.landing)
    return Obstacles(
        names=tuple([t.name for t in site.target] + [c.name for c in site.conductor]),
        margin_m=np.array(margins, dtype=np.float64),
        is_conductor=np.arange(len(margins)) >= count,
        solids=_solids(parts, len(margins)),
        drop_zones=drop_zones,
        landings=landings or drop_zones,
        notes=tuple(notes),
    )


def _solids(parts: _Parts, owners: int) -> Solids:
    count = len(parts.kind)
    sizes = np.array([len(v) for v in parts.vertices], dtype=np.int64)
    last = np.cumsum(sizes)
    vertices = np.concatenate(parts.vertices) if count else np.zeros((0, 3))
    box = np.zeros((count, 6))
    for row in range(count):
        points, pad = parts.vertices[row], parts.half_width[row]
        box[row, :3], box[row, 3:] = points.min(0) - pad, points.max(0) + pad
        if parts.kind[row] != WIRE:
            box[row, 2], box[row, 5] = parts.bottom[row], parts.top[row]
    return Solids(
        owners=owners,
        kind=np.array(parts.kind, dtype=np.int64),
        owner=np.array(parts.owner, dtype=np.int64),
        first=(last - sizes).astype(np.int64),
        last=last.astype(np.int64),
        vertices=np.ascontiguousarray(vertices, dtype=np.float64),
        bottom=np.array(parts.bottom, dtype=np.float64),
        top=np.array(parts.top, dtype=np.float64),
        half_width=np.array(parts.half_width, dtype=np.float64),
        box=box,
    )


def _add_target(parts: _Parts, owner: int, target: Target, ground: Ground) -> None:
    if target.footprint_m is not None:
        corners = np.asarray(target.footprint_m, dtype=np.float64)
        low, high = _ground_range(corners, ground)
        _add_prism(parts, owner, POLYGON, corners, (low, high, 0.0), target)
        return
    path = np.asarray(target.path_m, dtype=np.float64)
    for start, end in pairwise(path):
        length = float(np.linalg.norm(end - start))
        steps = max(int(np.ceil(length / BAND_STEP_M)), 1)
        points = start + (end - start) * np.linspace(0.0, 1.0, steps + 1)[:, None]
        heights = ground.height(points[:, 0], points[:, 1])
        for row in range(steps):
            low, high = float(heights[row : row + 2].min()), float(heights[row : row + 2].max())
            span = (low, high, 0.5 * target.width_m)
            _add_prism(parts, owner, BAND, points[row : row + 2], span, target)


def _add_prism(
    parts: _Parts,
    owner: int,
    kind: int,
    plan: Floats,
    ground_span: tuple[float, float, float],
    target: Target,
) -> None:
    """A prism from the lowest ground under it (1 m into it) to its top over the highest."""
    low, high, half_width = ground_span
    bottom = low + target.base_m - (1.0 if target.base_m <= 0.0 else 0.0)
    top = high + target.base_m + target.height_m
    vertices = np.column_stack([plan, np.full(len(plan), bottom)])
    parts.add(kind, owner, vertices, (bottom, top, half_width))


def _ground_range(corners: Floats, ground: Ground) -> tuple[float, float]:
    """Lowest and highest ground under a footprint. [m]"""
    low, high = corners.min(0), corners.max(0)
    counts = np.clip(np.ceil((high - low) / 0.5).astype(int) + 1, 2, 60)
    grid_x, grid_y = np.meshgrid(*(np.linspace(low[i], high[i], counts[i]) for i in (0, 1)))
    inside = shapely.contains_xy(shapely.Polygon(corners), grid_x.ravel(), grid_y.ravel())
    x = np.concatenate([corners[:, 0], grid_x.ravel()[inside]])
    y = np.concatenate([corners[:, 1], grid_y.ravel()[inside]])
    heights = ground.height(x, y)
    return float(heights.min()), float(heights.max())


def _add_conductor(parts: _Parts, owner: int, wire: Conductor, notes: list[str]) -> float:
    """Add the spans of a wire and return the distance to keep from it. [m]"""
    path = np.asarray(wire.path_m, dtype=np.float64)
    for row in range(len(path) - 1):
        z = path[row : row + 2, 2]
        span = (float(z.min()), float(z.max()), WIRE_RADIUS_M)
        parts.add(WIRE, owner, path[row : row + 2], span)
    longest = float(np.linalg.norm(np.diff(path, axis=0), axis=1).max())
    if longest > STRAIGHT_SPAN_M:
        notes.append(
            f"'{wire.name}' is taken as straight over {longest:.0f} m; a real wire sags and sways: "
            "give points along its span."
        )
    rule = conductor_distance_m(wire.kilovolts)
    if wire.margin_m is None:
        return rule
    if wire.margin_m < rule and wire.kilovolts <= LOW_VOLTAGE_KV:
        notes.append(
            f"'{wire.name}': {wire.margin_m:g} m is kept instead of {rule:g} m; right only if the "
            "network operator says it is an insulated service drop. Local rules come first."
        )
    return wire.margin_m


def _zone(part: DropZone | Landing, kind: str, ground: Ground) -> Zone:
    corners = np.asarray(part.footprint_m, dtype=np.float64)
    own = getattr(part, "max_energy_kj", None)
    return Zone(
        name=part.name,
        kind=kind,
        corners_m=corners,
        surface=part.surface,
        max_energy_j=1e3 * own if own is not None else SURFACE_ENERGY_J[part.surface],
        ground_m=float(ground.height(corners[:, 0], corners[:, 1]).mean()),
    )


def check_site_against_tree(site: Site, base_m: npt.ArrayLike, dbh_m: float) -> None:
    """Refuse a target that stands where the stem stands.

    Parameters
    ----------
    site : Site
        Localised.
    base_m : array_like, shape (3,)
        Where the stem meets the ground. [m]
    dbh_m : float

    Raises
    ------
    SiteFileError
        Naming the target.
    """
    base = np.asarray(base_m, dtype=np.float64)
    stem = shapely.Point(base[0], base[1]).buffer(0.5 * dbh_m)
    for number, target in enumerate(site.target, start=1):
        if target.base_m > 0.5 or not _plan_shape(target).intersects(stem):
            continue
        raise SiteFileError(
            f"target [{number}] ('{target.name}') stands on the stem at x {base[0]:.2f}, y "
            f"{base[1]:.2f} m (local, {dbh_m:.2f} m thick). Correct its corners, check whether the "
            "file's coordinates are the scan's (local = true?), or choose the tree with near_m."
        )
    _check_inside(site.drop_zone, "drop_zone", base)


def _check_inside(
    zones: Iterable[DropZone], kind: str, base: Floats, reach_m: float = 500.0
) -> None:
    """Refuse zones far from the tree: a sign of coordinates in another frame."""
    for number, zone in enumerate(zones, start=1):
        away = shapely.Polygon(zone.footprint_m).distance(shapely.Point(base[0], base[1]))
        if away > reach_m:
            raise SiteFileError(
                f"{kind} [{number}] ('{zone.name}') is {away:.0f} m from the tree; the limit is "
                f"{reach_m:.0f} m. Check that the file uses the scan's coordinates."
            )


def _plan_shape(target: Target) -> shapely.Geometry:
    if target.footprint_m is not None:
        return shapely.Polygon(target.footprint_m)
    return shapely.LineString(target.path_m).buffer(0.5 * target.width_m)
