"""Which stretches of limb run through leaves: the scan shows leaves there, and no wood.

A limb's wood is a thin skin with little close around it.  A shoot in leaf is the middle of a
clump: much lies a hand's breadth off whatever ring was found in it.  Leaves grow on shoots of the
last few years, so that the more a ring carries the less it can be leaves, and all that lies farther
out than a stretch in leaf is in leaf too: the cut between wood and leaves is the one cut along
each way outward that the evidence of all its nodes likes best.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from treescan.skeleton.limbs import LimbAxes

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SKIN_M, CLUMP_M = 0.03, 0.12
"""What lies within the first of a limb's skin is its own; on to the second it is a clump. [m]"""
WINDOW = 2
"""Nodes to either side whose surroundings are taken together."""
LEAFY_RADIUS_M = 0.007
"""Radius of shoots in leaf: those of the last few years. [m, judgement]"""
FALL_M = 0.5
"""Going into leaves a limb falls off to a shoot's radius by a factor of e over so much. [m,
judgement]"""
FIRST_SHARE = 0.6
"""A limb that starts in leaf has at most this share of its parent's radius. [judgement]"""
LEAST_LEAFY = 0.01
"""Share of leafy nodes that is always thought possible."""
BOLE_M = 2.5
"""So much of the stem is wood, even where a scan ends above it and it carries nothing. [m]"""
SHOOT_M = 0.1
"""Length that a tip is taken to carry. [m]"""
EVIDENCE = (1.0, 2.0, -1.6)
"""Log odds of leaves: constant, by log of the clump over the skin, by log of the length of limb
carried in m.  A ring as thick as a limb at the end of a way is a clump; what carries much is
wood.  The radius is no evidence: a shoot once thinned would stay one, a clump once read thick
would be wood.  Set on 20 phone scans in leaf of seeds 100, 700, 5100 and 5300 and ten each of a
tripod and a walked scanner of seeds 100 and 700, the constant so that a bare tree of badly
registered stations has 2 % of leaves (multistem of seed 1300; November 2026)."""


def leafy_nodes(axes: LimbAxes, carried_m: Floats, node: Ints, skin_m: Floats) -> Bools:
    """Nodes where leaves were seen and no wood, shape (n,).

    Parameters
    ----------
    axes : LimbAxes
    carried_m : ndarray, shape (n,)
        Total length of limbs farther out than each node. [m]
    node : ndarray, shape (m,)
        Node whose limb's skin each voxel is nearest to, -1 where there is none.
    skin_m : ndarray, shape (m,)
        How far from that skin. [m]
    """
    n = len(carried_m)
    on, clump = skin_m < SKIN_M, (skin_m >= SKIN_M) & (skin_m < CLUMP_M)
    own = _window_sum(np.bincount(node[on & (node >= 0)], minlength=n), axes.first)
    about = _window_sum(np.bincount(node[clump & (node >= 0)], minlength=n), axes.first)
    constant, by_crowd, by_load = EVIDENCE
    odds = constant + by_crowd * np.log((about + 1.0) / (own + 1.0))
    odds += by_load * np.log(carried_m + SHOOT_M)
    odds += prior_odds(odds)
    odds[: axes.first[1]][axes.along_m()[: axes.first[1]] < BOLE_M] = -np.inf
    result: Bools = best_cut(odds, axes.first, axes.parent_node)
    return result


def prior_odds(odds: Floats) -> float:
    """Log odds of leaves before a node is looked at, learnt from ``odds`` (n,) of all; at most 0.

    Of a tree in leaf a quarter of the nodes and more are leafy, of a bare one none: the few of
    it that look so are blurred or crowded wood.  (Expectation maximisation of the mixture's
    share, Dempster, Laird and Rubin 1977.)
    """
    share = 0.5
    for _ in range(8):
        held = 1.0 / (1.0 + np.exp(-odds - np.log(share / (1.0 - share))))
        share = float(np.clip(held.mean(), LEAST_LEAFY, 0.5))
    return float(np.log(share / (1.0 - share)))


def thinned(axes: LimbAxes, radius_m: Floats, leafy: Bools) -> Floats:
    """Radii from ``radius_m`` (n,), those of ``leafy`` (n,) nodes falling off to shoots'. [m]"""
    along = axes.along_m()
    return np.asarray(_thinned(radius_m, leafy, along, axes.first, axes.parent_node))


@njit(cache=True)
def _thinned(radius: Floats, leafy: Bools, along: Floats, first: Ints, parent_node: Ints) -> Any:
    result = radius.copy()
    for limb in range(len(first) - 1):
        for i in range(first[limb], first[limb + 1]):
            if not leafy[i]:
                continue
            if i > first[limb]:
                start, step = result[i - 1], along[i] - along[i - 1]
            else:
                start, step = FIRST_SHARE * result[parent_node[limb]], 0.0
            fallen = max(start * np.exp(-step / FALL_M), LEAFY_RADIUS_M)
            result[i] = min(radius[i], fallen)
    return result


def _window_sum(value: Ints, first: Ints) -> Floats:
    """Sum over ``WINDOW`` nodes to either side on the same limb, shape (n,)."""
    total = np.concatenate([[0], np.cumsum(value)])
    limb = np.repeat(np.arange(len(first) - 1), np.diff(first))
    at = np.arange(len(value))
    low = np.maximum(at - WINDOW, first[:-1][limb])
    high = np.minimum(at + WINDOW + 1, first[1:][limb])
    result: Floats = (total[high] - total[low]).astype(np.float64)
    return result


@njit(cache=True)
def best_cut(odds: Floats, first: Ints, parent_node: Ints) -> Any:
    """Mark each node leaf or wood: all beyond a leaf is leaf, and the summed odds are greatest.

    ``odds`` (n,) are log odds of leaves, ``first`` (k + 1,) and ``parent_node`` (k,) as in
    `LimbAxes`.
    """
    n = len(odds)
    limbs = len(first) - 1
    all_leaf = np.zeros(n)
    best = np.zeros(n)
    # Limbs come after their parents, and a limb's nodes after one another.
    for limb in range(limbs - 1, -1, -1):
        for i in range(first[limb + 1] - 1, first[limb] - 1, -1):
            # The first node of a side limb stands for its parent: it has no say.
            say = odds[i] if limb == 0 or i > first[limb] else 0.0
            all_leaf[i] += say
            best[i] = max(best[i], all_leaf[i])
            up = i - 1 if i > first[limb] else parent_node[limb]
            if up >= 0:
                all_leaf[up] += all_leaf[i]
                best[up] += best[i]
    leaf = np.zeros(n, np.bool_)
    for limb in range(limbs):
        for i in range(first[limb], first[limb + 1]):
            up = i - 1 if i > first[limb] else parent_node[limb]
            if up >= 0 and leaf[up]:
                leaf[i] = True
            else:
                leaf[i] = all_leaf[i] > 0 and all_leaf[i] >= best[i]
    return leaf
