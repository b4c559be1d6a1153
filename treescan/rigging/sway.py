"""How far and how fast the spar moves: under a block load, and when a top is felled off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.hinge import PUSH_ENDS_RAD, piece_push_factor, spar_down_factor
from treescan.mechanics.inputs import within
from treescan.mechanics.spar import euler_load_n
from treescan.rigging.model import SparModel
from treescan.rigging.spar import Loads, deflection_m, peak_shares
from treescan.units import G_M_S2
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

DYNAMIC_FACTOR = 2.0
"""Greatest response to any load that comes on suddenly and stays: exact for an undamped spring."""
SLENDER_M = 3.0
"""A free length shorter than this does not buckle before it crushes [judgement]."""


@dataclass(frozen=True)
class Sway:
    """Movement of a node of the spar.

    ``dynamic_m`` is its greatest amount when the load comes on suddenly, ``frequency_hz`` the
    first sway frequency with ``mass_kg`` at the node.
    """

    dynamic_m: float
    frequency_hz: float
    mass_kg: float


@dataclass(frozen=True)
class Topping:
    """What felling a piece off its hinge does to the spar below.

    Attributes
    ----------
    push_back_n, pull_forward_n : float
        Greatest horizontal force against and with the fall, high mass. [N]
    share : float
        Greatest share of the spar's strength on the way, factored (1 at the limit).
    worst_height_m : float
    sway_m : float
        Dynamic movement of the cut's place. [m]
    frequency_hz : float
    notes : tuple of str
    """

    push_back_n: float
    pull_forward_n: float
    share: float
    worst_height_m: float
    sway_m: float
    frequency_hz: float
    notes: tuple[str, ...]


def sway_at(model: SparModel, node: int, force_n: npt.ArrayLike, mass_kg: float = 0.0) -> Sway:
    """Elastic movement and first frequency of a node.

    Frequency by Rayleigh: the shape is that of a side force at the node; ``mass_kg`` (climber,
    gear, hanging piece) moves with it.  Roots are taken as rigid, so the tree may sway more
    and slower.

    Parameters
    ----------
    model : SparModel
    node : int
    force_n : array_like, shape (3,)
        [N]
    mass_kg : float
        Mass that rides at the node. [kg]

    Raises
    ------
    InvalidInputError
        The node is not standing wood, or the mass is out of range.
    """
    if not 0 < node < len(model.graph) or not model.standing[node]:
        raise InvalidInputError(f"node {node} is not standing wood: it cannot sway.")
    extra = float(within("mass at the node", mass_kg, 0.0, 1e5, unit="kg"))
    dynamic = DYNAMIC_FACTOR * float(np.linalg.norm(deflection_m(model, node, force_n)))
    return Sway(dynamic, _frequency(model, node, extra), extra)


def topping_effect(
    model: SparModel, piece: Piece, face_azimuth_deg: float, release_deg: float = 60.0
) -> Topping:
    """Force of a felled top or section on the spar while it turns on its hinge.

    ``F_x = kappa W sin t (3 cos t - 2)`` and the matching vertical force (forms and sources in
    :mod:`treescan.mechanics.hinge`), start upright, frictionless hinge, high mass; kappa from
    the piece's own inertia.

    Parameters
    ----------
    model : SparModel
        The tree with the piece already taken out of ``standing``, or whole.
    piece : Piece
    face_azimuth_deg : float
        Direction of fall, clockwise from +y. [deg]
    release_deg : float
        Angle from upright at which the hinge parts. [deg]
    """
    release = np.radians(within("release angle", release_deg, 5.0, 120.0, unit="deg"))
    azimuth = np.radians(within("face azimuth", face_azimuth_deg, -360.0, 360.0, unit="deg"))
    forward = np.array([np.sin(azimuth), np.cos(azimuth), 0.0])
    node = int(model.graph.parent[piece.butt_node])
    if node <= 0:
        return Topping(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, ("felled off the stump: no spar below",))
    kappa = _kappa(piece, forward)
    angle = np.linspace(0.0, float(release), 61)
    weight = piece.mass_kg.high * G_M_S2
    push = -weight * piece_push_factor(angle, kappa)
    down = weight * spar_down_factor(angle, kappa)
    force = push[:, None] * forward - down[:, None] * np.array([0.0, 0.0, 1.0])
    where = np.full(len(angle), node, dtype=np.int64)
    loads = Loads(np.arange(len(angle) + 1), where, np.tile(piece.cut_m, (len(angle), 1)), force)
    got = peak_shares(model, loads)
    worst = int(np.argmax(got.share))
    level = float(np.abs(push).max())
    sway = sway_at(model, node, level * forward)
    back, pull = max(-float(push.min()), 0.0), max(float(push.max()), 0.0)
    return Topping(
        push_back_n=back,
        pull_forward_n=pull,
        share=float(got.share[worst]),
        worst_height_m=float(got.worst_height_m[worst]),
        sway_m=sway.dynamic_m,
        frequency_hz=sway.frequency_hz,
        notes=_topping_notes(float(release)),
    )


def buckling_load_n(model: SparModel, node: int) -> float:
    """Axial load that buckles the free-standing stem below a node (Euler, low side). [N]

    Uniform stem of the mean inside-bark diameter along the path; infinite below 3 m.

    Parameters
    ----------
    model : SparModel
    node : int
        Where the axial load acts.
    """
    path = np.array(model.graph.ancestors(node)[:-1])
    height = float(model.height_m[node])
    if height < SLENDER_M or not len(path):
        return float("inf")
    diameter = float(np.mean(model.diameter_m[path] ** 4) ** 0.25)
    return float(euler_load_n(float(model.elasticity_pa[node]), diameter, height))


def _kappa(piece: Piece, forward: Floats) -> float:
    """r² / rho² of the piece about its hinge, from its inertia."""
    axis = np.cross(forward, np.array([0.0, 0.0, 1.0]))
    arm = float(np.linalg.norm(piece.centre_m - piece.cut_m))
    inertia = float(axis @ piece.inertia_kg_m2 @ axis)
    return arm**2 / (arm**2 + inertia / piece.mass_kg.likely)


def _topping_notes(release_rad: float) -> tuple[str, ...]:
    degrees = np.degrees(PUSH_ENDS_RAD)
    if release_rad > PUSH_ENDS_RAD + np.radians(10.0):
        return (
            f"the hinge still holds beyond {degrees:.0f} deg: it drags the spar forward and "
            "lets it whip back; a narrower face parts earlier",
        )
    return (f"push-back ends near {degrees:.0f} deg: hold on until the piece has gone",)


def _frequency(model: SparModel, node: int, extra_kg: float) -> float:
    """First sway frequency by Rayleigh's quotient with the shape of a side force at the node."""
    graph = model.graph
    probe = 1000.0
    side = np.array([1.0, 0.0, 0.0])
    path = np.array(graph.ancestors(node)[::-1])
    tip = float(deflection_m(model, node, probe * side)[0])
    if tip <= 0.0:
        return 0.0
    rise = graph.position_m[path, 2] - graph.position_m[0, 2]
    top = max(float(rise[-1]), 1e-6)
    share = rise / top
    shape = 0.5 * (3.0 * share**2 - share**3)
    weight = np.where(model.standing, model.mass.likely_kg, 0.0)
    carried = _carried(model, path, weight)
    moving = float((carried * shape**2).sum()) + extra_kg
    if moving <= 0.0:
        return float("inf")
    return float(np.sqrt(probe / tip / moving) / (2.0 * np.pi))


def _carried(model: SparModel, path: npt.NDArray[np.int64], weight: Floats) -> Floats:
    """Mass that moves with each node of the path: its own and that of its side limbs."""
    total = model.graph.subtree_sum(weight)[path]
    result: Floats = total.copy()
    result[:-1] -= total[1:]
    return result
