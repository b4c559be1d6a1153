"""What a tap on the 3-D view means: plain geometry on the ray through the finger.

The wood truly under the finger comes first, then what lies within the finger's breadth; what
else is near is handed back too, so that a person can say which one was meant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from treescan.page.view_points import BLOCK, FOLDER, read_about
from treescan.page.view_scene import Union, ViewScene
from treescan.pointcloud.cloud import Ground
from treescan.skeleton.graph import TreeGraph

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FRONT_LAYER_M = 0.6
"""Points this much behind the nearest one under the finger are still of its layer. [m]"""

OTHERS = 3
FARTHEST_M = 400.0


@dataclass(frozen=True)
class Ray:
    """A ray through the finger, from ``origin_m`` (3,) along the unit vector ``way`` (3,). [m]

    ``spread`` is the finger's breadth as a share of the distance.
    """

    origin_m: Floats
    way: Floats
    spread: float

    @staticmethod
    def of(told: dict[str, object]) -> Ray | None:
        """Read what the view sent; None when it is no ray."""
        try:
            origin = np.asarray(told["from"], dtype=np.float64)
            way = np.asarray(told["way"], dtype=np.float64)
            spread = float(told["spread"])  # type: ignore[arg-type]
        except (KeyError, TypeError, ValueError):
            return None
        if origin.shape != (3,) or way.shape != (3,) or not np.isfinite([*origin, *way]).all():
            return None
        size = float(np.linalg.norm(way))
        if size < 1e-9 or not 0.0 < spread < 1.0:
            return None
        return Ray(origin, way / size, spread)


@dataclass(frozen=True)
class WoodPick:
    """A place on the wood: the node whose edge was met and the point (3,) on its axis. [m]"""

    node: int
    at_m: Floats


def pick_wood(graph: TreeGraph, ray: Ray, shown: Bools) -> list[WoodPick]:
    """Wood under the finger, the one meant first, then the nearest of other limbs.

    Parameters
    ----------
    shown : ndarray, shape (n,), bool
        Nodes that are drawn; what is hidden cannot be tapped.
    """
    start, end = graph.edge_start_m, graph.position_m
    along, back = end - start, start - ray.origin_m
    b, c, a = along @ ray.way, np.sum(along * back, axis=1), np.sum(along * along, axis=1)
    share = np.clip((b * (back @ ray.way) - c) / np.maximum(a - b * b, 1e-12), 0.0, 1.0)
    place = start + share[:, None] * along
    reach = (place - ray.origin_m) @ ray.way
    gap = np.linalg.norm(place - ray.origin_m - reach[:, None] * ray.way, axis=1)
    room = np.maximum(gap - graph.radius_m, 0.0) / np.maximum(reach, 1e-6)
    near = np.flatnonzero(shown & (reach > 0.05) & (room < ray.spread))
    near = near[near > 0]
    hit = near[room[near] == 0.0]
    first = hit[np.argsort(reach[hit])]
    rest = np.setdiff1d(near, hit)
    ranked = [*first, *rest[np.argsort(room[rest])]]
    found: list[WoodPick] = []
    limbs: set[int] = set()
    for node in ranked:
        if int(graph.limb[node]) not in limbs:
            limbs.add(int(graph.limb[node]))
            found.append(WoodPick(int(node), place[node]))
        if len(found) > OTHERS:
            break
    return found


def pick_union(unions: Sequence[Union], ray: Ray, shown: Bools) -> list[int]:
    """Rows of the marked unions under the finger, the nearest to it first.

    ``shown`` (n,) marks the nodes whose wood is drawn.
    """
    if not unions:
        return []
    at = np.array([u.at_m for u in unions]) - ray.origin_m
    reach = at @ ray.way
    gap = np.linalg.norm(at - reach[:, None] * ray.way, axis=1) / np.maximum(reach, 1e-6)
    drawn = np.array([shown[u.node] for u in unions])
    near = np.flatnonzero(drawn & (reach > 0.05) & (gap < ray.spread))
    return [int(row) for row in near[np.argsort(gap[near])]]


def pick_point(xyz_m: npt.NDArray[np.float32], ray: Ray) -> Floats | None:
    """Scan point (3,) of the front layer of ``xyz_m`` (n, 3) nearest to the finger's middle. [m]"""
    if not len(xyz_m):
        return None
    away = xyz_m - ray.origin_m.astype(np.float32)
    reach = away @ ray.way.astype(np.float32)
    off = np.sqrt(np.maximum(np.einsum("ij,ij->i", away, away) - reach * reach, 0.0))
    near = np.flatnonzero((reach > 0.2) & (off < ray.spread * reach))
    if not len(near):
        return None
    front = near[reach[near] < reach[near].min() + FRONT_LAYER_M]
    best = front[np.argmin(off[front] / reach[front])]
    return np.asarray(xyz_m[best], dtype=np.float64)


def pick_ground(ground: Ground, ray: Ray) -> Floats | None:
    """Where (3,) the ray first goes into the ground model; None when it does not. [m]"""
    reach = np.linspace(0.0, FARTHEST_M, 1601)
    points = ray.origin_m + reach[:, None] * ray.way
    above = points[:, 2] - ground.height(points[:, 0], points[:, 1])
    below = np.flatnonzero((above[1:] <= 0.0) & (above[:-1] > 0.0))
    if not len(below):
        return None
    low, high = reach[below[0]], reach[below[0] + 1]
    for _ in range(30):
        middle = 0.5 * (low + high)
        at = ray.origin_m + middle * ray.way
        if at[2] > float(ground.height(at[0], at[1])):
            low = middle
        else:
            high = middle
    result: Floats = ray.origin_m + high * ray.way
    return result


@dataclass
class PointStore:
    """The scan points of the view, read once and kept, (n, 3), until they are made anew."""

    folder: Path
    mark: str = ""
    xyz_m: npt.NDArray[np.float32] | None = None

    def points(self) -> npt.NDArray[np.float32]:
        """Points of the view in the local frame [m], (n, 3); none before they are made."""
        about = read_about(self.folder / FOLDER)
        if about is None or about.get("state") != "ready":
            return np.zeros((0, 3), np.float32)
        if self.xyz_m is None or self.mark != about["mark"]:
            count = int(about["count"])
            share = np.fromfile(self.folder / FOLDER / BLOCK, dtype="<u2", count=3 * count)
            extent = np.asarray(about["extent"], np.float32) / np.float32(65535)
            corner = np.asarray(about["corner"], np.float32)
            self.xyz_m = share.reshape(-1, 3) * extent + corner
            self.mark = str(about["mark"])
        return self.xyz_m


@dataclass(frozen=True)
class PickedPlace:
    """A tapped place.

    Attributes
    ----------
    local_m, scan_m : ndarray, shape (3,)
        In the local frame and in scan coordinates.
    height_m : float
        Above the ground right below.
    on : {"scan", "wood", "ground"}
        What was met.
    """

    local_m: Floats
    scan_m: Floats
    height_m: float
    on: str


def picked_place(scene: ViewScene, local_m: Floats, on: str) -> PickedPlace:
    """A place ``local_m`` (3,) with its scan coordinates and its height above the ground. [m]"""
    ground = float(scene.job.survey.ground.height(local_m[0], local_m[1]))
    return PickedPlace(local_m, local_m + scene.job.survey.origin_m, float(local_m[2]) - ground, on)
