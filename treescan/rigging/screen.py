"""Fast screening of many rigging options on arrays, without building objects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.mechanics.drop import two_leg_stiffness_n_m
from treescan.mechanics.friction import ratio_at_angle
from treescan.mechanics.inputs import within
from treescan.rigging.anchors import BLOCK_M
from treescan.rigging.gear import line_strength_n
from treescan.rigging.model import SparModel
from treescan.rigging.peaks import Hang, Peaks, hung_peaks, lead_peaks
from treescan.rigging.spar import Loads, peak_shares
from treescan.rigging.types import Anchor, GearSet
from treescan.units import G_M_S2

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]

ITEMS = ("line", "sling", "block", "friction device", "spar section")


@dataclass(frozen=True)
class Options:
    """Rigging options to screen, each array of shape (k,) unless said otherwise.

    Attributes
    ----------
    mass_kg : ndarray, shape (k, 3)
        Low, likely and high mass of the piece.
    drop_m : ndarray
        Fall of the centre of mass before the line is taut; 0 for a taut line. [m]
    lead_m : ndarray
        Line between piece and anchor. [m]
    line_m : ndarray
        Line in service, lead included. [m]
    swing_rad : ndarray
        Release angle from the plumb line. [rad]
    arm_m, gyration_m : ndarray
        Tie to centre of mass, and radius of gyration about the latter. [m]
    start_rad : ndarray
        Centre of mass from straight below the tie, positive on the lead's side. [rad]
    run_m : ndarray
        Line let run, 0 when locked. [m]
    anchor : ndarray of int
        Row in the anchors given to :func:`screen`.
    lead_direction : ndarray, shape (k, 3)
        Unit vector of the lead's pull on the anchor at the peak.
    """

    mass_kg: Floats
    drop_m: Floats
    lead_m: Floats
    line_m: Floats
    swing_rad: Floats
    arm_m: Floats
    gyration_m: Floats
    start_rad: Floats
    run_m: Floats
    anchor: Int64s
    lead_direction: Floats


@dataclass(frozen=True)
class Screened:
    """Answer per option, each array of shape (k,) unless said otherwise.

    ``share`` is the greatest utilisation (1 at the limit) and ``governs`` its row in
    :data:`ITEMS`; ``shares`` is (k, 5) in the order of ITEMS; ``resultant_n`` (k, 3) is the
    high resultant on the anchor; ``section_node`` the weakest section.
    """

    lead_n: Peaks
    resultant_n: Floats
    fall_n: Floats
    share: Floats
    governs: Int64s
    shares: Floats
    section_node: Int64s


def screen(
    options: Options,
    model: SparModel,
    anchors: Sequence[Anchor],
    gear: GearSet,
    device_m: Floats,
    device_node: int,
    integrate: bool = False,
) -> Screened:
    """Screen many options at once; the full answer of the good ones comes from ``solve``.

    Parameters
    ----------
    options : Options
    model : SparModel
        The standing tree.
    anchors : sequence of Anchor
        Indexed by ``options.anchor``.
    gear : GearSet
    device_m : ndarray, shape (3,)
        Place of the friction device. [m]
    device_node : int
        Node of the tree that carries it.
    integrate : bool
        Integrate the first swing of taut pieces (slower, lower); else the energy bound.

    Raises
    ------
    InvalidInputError
        An array is out of range or of the wrong length.
    """
    _check(options, len(anchors))
    row = options.anchor
    place = np.array([anchor.position_m for anchor in anchors])[row]
    node = np.array([anchor.node for anchor in anchors], dtype=np.int64)[row]
    offset = np.array([0.5 * anchor.diameter_m + BLOCK_M for anchor in anchors])[row]
    fall_way = device_m - place
    fall_way = fall_way / np.linalg.norm(fall_way, axis=1)[:, None]
    cosine = np.clip(np.einsum("ij,ij->i", options.lead_direction, fall_way), -1.0, 1.0)
    ratio = ratio_at_angle(gear.block.friction_ratio, np.arccos(cosine))
    stiffness = two_leg_stiffness_n_m(
        gear.line.modulus_n, options.lead_m, np.maximum(options.line_m - options.lead_m, 0), ratio
    )
    peaks = _peaks(options, stiffness, integrate)
    lead = peaks.high_n[:, None] * options.lead_direction
    fall = peaks.high_n / ratio
    resultant = lead + fall[:, None] * fall_way
    side = options.lead_direction * np.array([1.0, 1.0, 0.0])
    size = np.linalg.norm(side, axis=1)
    side = np.where(size[:, None] > 1e-6, side / np.maximum(size, 1e-6)[:, None], [1.0, 0.0, 0.0])
    spar = peak_shares(
        model,
        _pairs(
            node, place + offset[:, None] * side, resultant, device_node, device_m, -fall, fall_way
        ),
    )
    shares = _shares(peaks.high_n, fall, resultant, gear, model.limits.line_share_of_mbs)
    shares[:, 4] = spar.share
    governs = np.argmax(shares, axis=1)
    return Screened(peaks, resultant, fall, shares.max(axis=1), governs, shares, spar.worst_node)


def _peaks(options: Options, stiffness: Floats, integrate: bool) -> Peaks:
    """Drops by energy, taut pieces as hung."""
    weight = options.mass_kg * G_M_S2
    weights = (weight[:, 0], weight[:, 1], weight[:, 2])
    hang = Hang(
        options.lead_m,
        options.arm_m,
        options.gyration_m,
        options.swing_rad,
        options.start_rad,
        np.ones(len(options.drop_m), dtype=bool),
    )
    swing = options.lead_m * (1.0 - np.cos(options.swing_rad))
    dropped = lead_peaks(weights, options.drop_m + swing, stiffness, options.run_m)
    hung = hung_peaks(weights, hang, stiffness, options.run_m, integrate)
    fell = options.drop_m > 0.0
    return Peaks(
        np.where(fell, dropped.low_n, hung.low_n),
        np.where(fell, dropped.likely_n, hung.likely_n),
        np.where(fell, dropped.high_n, hung.high_n),
    )


def _check(options: Options, anchors: int) -> None:
    k = len(options.drop_m)
    plain = ("lead_m", "line_m", "swing_rad", "arm_m", "gyration_m", "start_rad", "run_m", "anchor")
    shapes: dict[str, tuple[int, ...]] = dict.fromkeys(plain, (k,))
    shapes |= {"mass_kg": (k, 3), "lead_direction": (k, 3)}
    for name, shape in shapes.items():
        if np.shape(getattr(options, name)) != shape:
            raise InvalidInputError(
                f"{name} has shape {np.shape(getattr(options, name))}; {shape} is needed."
            )
    within("release angle", options.swing_rad, 0.0, np.pi / 2, unit="rad")
    if k and not (options.anchor.min() >= 0 and options.anchor.max() < anchors):
        raise InvalidInputError(f"an option names an anchor outside the {anchors} given.")


def _pairs(
    node: Int64s,
    point_m: Floats,
    resultant_n: Floats,
    device_node: int,
    device_m: Floats,
    pull_n: Floats,
    way: Floats,
) -> Loads:
    """Anchor and device loads of each option, interleaved."""
    k = len(node)
    nodes = np.empty(2 * k, dtype=np.int64)
    nodes[0::2], nodes[1::2] = node, device_node
    points, forces = np.empty((2 * k, 3)), np.empty((2 * k, 3))
    points[0::2], points[1::2] = point_m, device_m
    forces[0::2], forces[1::2] = resultant_n, pull_n[:, None] * way
    return Loads(np.arange(0, 2 * k + 1, 2, dtype=np.int64), nodes, points, forces)


def _shares(
    lead_n: Floats, fall_n: Floats, resultant_n: Floats, gear: GearSet, limit: float
) -> Floats:
    """Gear shares, shape (k, 5); the last column is left for the spar."""
    shares = np.zeros((len(lead_n), len(ITEMS)))
    load = np.linalg.norm(resultant_n, axis=1)
    line = line_strength_n(gear)
    shares[:, 0] = lead_n / (line * limit)
    strengths = (
        gear.sling.mbs_n * gear.sling.efficiency * gear.wear_factor * (gear.block.mbs_n > 0.0),
        gear.block.mbs_n * gear.block.efficiency,
        gear.friction_device.mbs_n,
    )
    for column, (force, strength) in enumerate(zip((load, load, fall_n), strengths, strict=True)):
        if strength > 0.0:
            shares[:, column + 1] = force / (strength * limit)
    return shares
