"""Strength of stem and limb sections, whole and hollow."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.mechanics.inputs import Floats, not_negative, positive, within

ASH_BENDING_PA = 75.5e6
ASH_TORSION_PA = 11.2e6
"""Ultimate stress of ash branches in pure bending and in pure torsion.

Arboric. Urban For. 40(1):36 (2014), abstract.
"""


def round_modulus_m3(diameter_m: npt.ArrayLike) -> Floats:
    """Section modulus of a round, ``pi D³ / 32``. [m³]

    Parameters
    ----------
    diameter_m : array_like
        Inside bark. [m]
    """
    result: Floats = np.pi * positive("diameter", diameter_m, 10.0, "m") ** 3 / 32.0
    return result


def oval_modulus_m3(across_m: npt.ArrayLike, in_plane_m: npt.ArrayLike) -> Floats:
    """Section modulus of an ellipse, ``pi b h² / 32``. [m³]

    Parameters
    ----------
    across_m, in_plane_m : array_like
        Diameters across and in the plane of the load. [m]
    """
    result: Floats = (
        np.pi
        * positive("diameter across", across_m, 10.0, "m")
        * positive("diameter in the load plane", in_plane_m, 10.0, "m") ** 2
        / 32.0
    )
    return result


def hollow_factor(cavity_over_diameter: npt.ArrayLike) -> Floats:
    """Section modulus kept by a centred round cavity, ``1 - (d / D)⁴``.

    Parameters
    ----------
    cavity_over_diameter : array_like
        d/D, 0 to below 1.
    """
    ratio = within("cavity over diameter", cavity_over_diameter, 0.0, 0.999)
    result: Floats = 1.0 - ratio**4
    return result


def cube_loss(cavity_over_diameter: npt.ArrayLike) -> Floats:
    """Share of strength lost by the cube rule, ``(d / D)³`` (Wagener 1963; more cautious than Z).

    Parameters
    ----------
    cavity_over_diameter : array_like
        d/D, 0 to below 1.
    """
    result: Floats = within("cavity over diameter", cavity_over_diameter, 0.0, 0.999) ** 3
    return result


def open_cavity_loss(
    diameter_m: npt.ArrayLike, cavity_m: npt.ArrayLike, opening_share: npt.ArrayLike
) -> Floats:
    """Strength loss with an opening, ``(d³ + R (D³ - d³)) / D³`` [from memory].

    Parameters
    ----------
    diameter_m, cavity_m : array_like
        D and d. [m]
    opening_share : array_like
        Opening over circumference R, 0 to 1.

    References
    ----------
    Smiley and Fraedrich.
    """
    diameter = positive("diameter", diameter_m, 10.0, "m")
    ratio = within("cavity over diameter", np.asarray(cavity_m) / diameter, 0.0, 0.999)
    share = within("opening share", opening_share, 0.0, 1.0)
    result: Floats = ratio**3 + share * (1.0 - ratio**3)
    return result


def thin_wall_mode(wall_over_radius: float) -> str:
    """Name the dominant failure of a centred, closed, round hollow section.

    Parameters
    ----------
    wall_over_radius : float
        t/R, 0 to 1.

    References
    ----------
    Huang et al. 2017, R. Soc. Open Sci. 4:160972.
    """
    ratio = float(within("wall over radius", wall_over_radius, 0.0, 1.0))
    if ratio < 0.06:
        return "buckling of the wall"
    return "cracking along the wall" if ratio <= 0.27 else "bending"


def bending_stress_pa(
    moment_n_m: npt.ArrayLike, diameter_m: npt.ArrayLike, axial_n: npt.ArrayLike = 0.0
) -> Floats:
    """Greatest normal stress, ``32 M / (pi D³) + |N| / A``. [Pa]

    Parameters
    ----------
    moment_n_m : array_like
        [N m]
    diameter_m : array_like
        [m]
    axial_n : array_like
        [N]
    """
    diameter = positive("diameter", diameter_m, 10.0, "m")
    area = np.pi * diameter**2 / 4.0
    result: Floats = np.abs(moment_n_m) / round_modulus_m3(diameter) + np.abs(axial_n) / area
    return result


def torsion_stress_pa(torque_n_m: npt.ArrayLike, diameter_m: npt.ArrayLike) -> Floats:
    """Greatest shear stress in torsion, ``16 T / (pi D³)``. [Pa]

    Parameters
    ----------
    torque_n_m : array_like
        [N m]
    diameter_m : array_like
        [m]
    """
    result: Floats = np.abs(torque_n_m) / (2.0 * round_modulus_m3(diameter_m))
    return result


def interaction_index(
    bending_pa: npt.ArrayLike,
    shear_pa: npt.ArrayLike,
    bending_strength_pa: npt.ArrayLike = ASH_BENDING_PA,
    shear_strength_pa: npt.ArrayLike = ASH_TORSION_PA,
) -> Floats:
    """Combined bending and torsion, ``(s / s_u)² + (t / t_u)²``; 1 is failure [assumption].

    Its square root is the share of the failing load when all stresses grow together.

    Parameters
    ----------
    bending_pa, shear_pa : array_like
        [Pa]
    bending_strength_pa, shear_strength_pa : array_like
        [Pa]
    """
    normal = not_negative("bending stress", bending_pa) / positive(
        "bending strength", bending_strength_pa
    )
    shear = not_negative("shear stress", shear_pa) / positive("shear strength", shear_strength_pa)
    result: Floats = normal**2 + shear**2
    return result
