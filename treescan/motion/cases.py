"""The spread of a motion: the same way with early or late hinges, other aims, masses, runs.

The likely case makes the path; the others are the same way with one cause changed, each as many
standard deviations off as :data:`CAUSES` says.  How much nearer the piece may come and how
likely that is follows from them (:mod:`treescan.motion.response`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError
from treescan.motion.fall import free_fall, hinge_fall
from treescan.motion.on_line import RUN_SPREAD, STRETCH_SPREAD
from treescan.motion.over_blocks import Beyond
from treescan.motion.rig import stretches
from treescan.motion.speed_line import StretchedLine, speed_line
from treescan.motion.swing import ROPE_STIFFNESS_N_M, caught, lowered
from treescan.motion.turned import WOOD_FRICTION, slid_off, turned_path
from treescan.motion.types import Path
from treescan.pointcloud.cloud import Ground
from treescan.wood.types import Piece

Floats = npt.NDArray[np.float64]

BREAK_SPREAD_DEG = 10.0
AIM_SPREAD_DEG = 5.0
EARLY_BREAK_DEG = 15.0
"""An early failure of the hinge parts here: our choice."""

LATE_FIBRES_DEG = 25.0
"""Fibres that hold longer part this much later: our choice. [degrees]"""

PUSH_SPREAD, PUSH_AIM_DEG = 0.3, 15.0
"""Share by which a push or throw may be weaker or stronger, and how far it may go aside: our
choice."""

TURN_SPREAD_DEG = 15.0
"""A limb may be cut through so much before or after the turn asked for: our choice."""

MU_SPREAD = 0.15
"""By how much the friction of wood on wood may differ, to both sides: our choice. [-]"""

GRIP_SPREAD = 0.5
"""Share by which the friction coefficient of the line on its blocks may differ: our choice."""

TIGHT_SPREAD = 0.3
"""Share by which the tension of a stretched line may differ from the one asked for: our choice."""


@dataclass(frozen=True)
class Cause:
    """What a case changes, and how far out it lies.

    Attributes
    ----------
    name : str
        The uncertain thing; cases of one name lie along one axis.
    at_sd, likely_sd : float
        Where the case and the likely path lie on that axis, in standard deviations.
    chance : float
        For an event instead of an axis: how often it happens; 0 on an axis.
    """

    name: str
    at_sd: float = 0.0
    likely_sd: float = 0.0
    chance: float = 0.0


CAUSES = {
    "hinge breaks early": Cause("break", -2.0),
    "hinge breaks a little early": Cause("break", -1.0),
    "hinge breaks a little late": Cause("break", 1.0),
    "hinge breaks late": Cause("break", 2.0),
    "aims left": Cause("aim", -2.0),
    "aims a little left": Cause("aim", -1.0),
    "aims a little right": Cause("aim", 1.0),
    "aims right": Cause("aim", 2.0),
    "hinge fails": Cause("hinge fails", chance=0.02),
    "parts clean": Cause("fibres", -2.0),
    "fibres hold longer": Cause("fibres", 2.0),
    "pushed weaker": Cause("push", -2.0),
    "pushed harder": Cause("push", 2.0),
    "pushed to the left": Cause("aim", -2.0),
    "pushed to the right": Cause("aim", 2.0),
    "line softer": Cause("stretch", 2.0),
    "line stiffer": Cause("stretch", -2.0),
    "piece lighter": Cause("mass", -1.645, 1.645),
    "line does not run": Cause("run", -2.0),
    "line runs half as far again": Cause("run", 2.0),
    "line grips less": Cause("grip", -2.0),
    "line grips more": Cause("grip", 2.0),
    "turns less": Cause("turn", -2.0),
    "turns more": Cause("turn", 2.0),
    "faces stick": Cause("faces", 2.0),
    "faces slide": Cause("faces", -2.0),
    "line slacker": Cause("tightness", -2.0),
    "line tighter": Cause("tightness", 2.0),
}
"""The stated spreads are taken as two standard deviations, the mass band as its 5 and 95 % values
with the likely path at the high mass.  How often a hinge fails: our choice, no source."""


@dataclass(frozen=True)
class Cases:
    """A likely path and what else may happen; ``labels`` name the others (:data:`CAUSES`).

    The functions that make them take the likely path as ``likely`` when it is known already.
    """

    likely: Path
    others: tuple[Path, ...]
    labels: tuple[str, ...]

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What each of the others changes."""
        return tuple(CAUSES[label] for label in self.labels)


def hinge_cases(
    piece: Piece,
    ground: Ground,
    *,
    hinge_azimuth_deg: float,
    break_angle_deg: float = 55.0,
    likely: Path | None = None,
    **options: Any,
) -> Cases:
    """Felling on a hinge: break angle, aim, and a hinge that fails early.

    ``options`` are those of :func:`treescan.motion.fall.hinge_fall`.
    """

    def way(aim: float, later: float) -> Path:
        return hinge_fall(
            piece,
            ground,
            hinge_azimuth_deg=hinge_azimuth_deg + aim,
            break_angle_deg=max(break_angle_deg + later, 2.0),
            **options,
        )

    spread = {
        "hinge breaks early": (0.0, -BREAK_SPREAD_DEG),
        "hinge breaks a little early": (0.0, -0.5 * BREAK_SPREAD_DEG),
        "hinge breaks a little late": (0.0, 0.5 * BREAK_SPREAD_DEG),
        "hinge breaks late": (0.0, BREAK_SPREAD_DEG),
        "aims left": (-AIM_SPREAD_DEG, 0.0),
        "aims a little left": (-0.5 * AIM_SPREAD_DEG, 0.0),
        "aims a little right": (0.5 * AIM_SPREAD_DEG, 0.0),
        "aims right": (AIM_SPREAD_DEG, 0.0),
        "hinge fails": (0.0, EARLY_BREAK_DEG - break_angle_deg),
    }
    others = tuple(way(*change) for change in spread.values())
    return Cases(likely or way(0.0, 0.0), others, tuple(spread))


def drop_cases(
    piece: Piece,
    ground: Ground,
    *,
    break_angle_deg: float = 20.0,
    likely: Path | None = None,
    **options: Any,
) -> Cases:
    """A parting cut: clean, or with fibres that hold longer; a push weaker, harder or aside.

    ``options`` are those of :func:`treescan.motion.fall.free_fall`.
    """

    def way(**change: Any) -> Path:
        return free_fall(piece, ground, **{"break_angle_deg": break_angle_deg, **options, **change})

    changes: dict[str, dict[str, float]] = {
        "fibres hold longer": {"break_angle_deg": break_angle_deg + LATE_FIBRES_DEG}
    }
    if break_angle_deg > 0.0:
        changes["parts clean"] = {"break_angle_deg": 0.0}
    speed = float(options.get("release_speed_m_s") or 0.0)
    if speed > 0.0:
        changes["pushed weaker"] = {"release_speed_m_s": (1.0 - PUSH_SPREAD) * speed}
        changes["pushed harder"] = {"release_speed_m_s": (1.0 + PUSH_SPREAD) * speed}
    aim = options.get("push_azimuth_deg")
    if speed > 0.0 and aim is not None:
        changes["pushed to the left"] = {"push_azimuth_deg": aim - PUSH_AIM_DEG}
        changes["pushed to the right"] = {"push_azimuth_deg": aim + PUSH_AIM_DEG}
    others = tuple(way(**change) for change in changes.values())
    return Cases(likely or way(), others, tuple(changes))


WAYS_ON_LINE: dict[str, Callable[..., Path]] = {
    "lowered": lowered,
    "caught": caught,
    "turned_on_hinge": turned_path,
    "slid_off": slid_off,
}
"""Ways whose recipes take the options of a line."""


def line_cases(
    piece: Piece,
    ground: Ground,
    *,
    way: str = "lowered",
    rope_stiffness_n_m: float = ROPE_STIFFNESS_N_M,
    run_m: float = 0.0,
    likely: Path | None = None,
    **options: Any,
) -> Cases:
    """On the line: lighter; softer and stiffer, held fast or run farther where that matters.

    Parameters
    ----------
    way : str
        Key of :data:`WAYS_ON_LINE`.
    options
        Those of that way.
    """
    make = WAYS_ON_LINE[way]

    def other(**change: Any) -> Path:
        keys = {"rope_stiffness_n_m": rope_stiffness_n_m, "run_m": run_m, **options, **change}
        return make(piece, ground=ground, **keys)

    likely = likely or other()
    changes: dict[str, dict[str, Any]] = {"piece lighter": {"mass_kg": piece.mass_kg.low}}
    softer, stiffer = (rope_stiffness_n_m * (1.0 + s * STRETCH_SPREAD) for s in (-1.0, 1.0))
    if stretches(options.get("mass_kg") or piece.mass_kg.high, softer):
        changes["line softer"] = {"rope_stiffness_n_m": softer}
        changes["line stiffer"] = {"rope_stiffness_n_m": stiffer}
    if likely.runs:
        changes["line does not run"] = {"run_m": 0.0}
        changes["line runs half as far again"] = {"run_m": (1.0 + RUN_SPREAD) * run_m}
    beyond: Beyond | None = options.get("beyond")
    if beyond is not None:
        for label, power in (
            ("line grips less", 1.0 - GRIP_SPREAD),
            ("line grips more", 1.0 + GRIP_SPREAD),
        ):
            changes[label] = {
                "beyond": replace(beyond, ratio=tuple(q**power for q in beyond.ratio))
            }
    if way == "caught":
        late = float(options.get("break_angle_deg", 85.0))
        aim = float(options["hinge_azimuth_deg"])
        changes["hinge breaks early"] = {"break_angle_deg": late - 2.0 * BREAK_SPREAD_DEG}
        changes["aims left"] = {"hinge_azimuth_deg": aim - AIM_SPREAD_DEG}
        changes["aims right"] = {"hinge_azimuth_deg": aim + AIM_SPREAD_DEG}
    if way == "turned_on_hinge":
        turn = float(options.get("turn_deg", 60.0))
        changes["turns less"] = {"turn_deg": max(turn - TURN_SPREAD_DEG, 1.0)}
        changes["turns more"] = {"turn_deg": turn + TURN_SPREAD_DEG}
    if way == "slid_off":
        mu = float(options.get("friction", WOOD_FRICTION))
        changes["faces slide"] = {"friction": max(mu - MU_SPREAD, 0.05)}
        steepest = 0.95 * float(np.tan(np.radians(options.get("slant_deg", 45.0))))
        changes["faces stick"] = {"friction": min(mu + MU_SPREAD, steepest)}
    others = tuple(other(**change) for change in changes.values())
    return Cases(likely, others, tuple(changes))


def speed_line_cases(
    piece: Piece,
    ground: Ground,
    *,
    line: StretchedLine,
    tie_m: Floats,
    likely: Path | None = None,
    **options: Any,
) -> Cases:
    """On a stretched line: tightened less or more, stretching more or less, a lighter piece.

    ``options`` are those of :func:`treescan.motion.speed_line.speed_line`.

    ``tie_m`` (3,) is the tie before the cut. [m]
    """

    def way(of: StretchedLine, **change: Any) -> Path:
        return speed_line(piece, tie_m, of, ground, **{**options, **change}).path

    def tight(share: float) -> StretchedLine:
        return replace(line, pretension_n=share * line.pretension_n)

    def stiff(share: float) -> StretchedLine:
        return replace(line, modulus_n=share * line.modulus_n)

    others = {
        "line slacker": way(tight(1.0 - TIGHT_SPREAD)),
        "line tighter": way(tight(1.0 + TIGHT_SPREAD)),
        "line softer": way(stiff(1.0 - STRETCH_SPREAD)),
        "line stiffer": way(stiff(1.0 + STRETCH_SPREAD)),
        "piece lighter": way(line, mass_kg=piece.mass_kg.low),
    }
    return Cases(likely or way(line), tuple(others.values()), tuple(others))


def cases_of(piece: Piece, path: Path, ground: Ground, *, rebuilt: bool = False) -> Cases:
    """Cases of a path by its own recipe, the path itself the likely one.

    With ``rebuilt`` the likely one is made by the recipe again: for a path that was changed
    by hand afterwards (led aside another way), which its cases are not.

    Raises
    ------
    InvalidInputError
        If the path does not say how it was made.
    """
    name, options = path.recipe or ("", {})
    options = options if rebuilt else {**options, "likely": path}
    if name == "hinge_fall":
        found = hinge_cases(piece, ground, **options)
    elif name == "free_fall":
        found = drop_cases(piece, ground, **options)
    elif name in WAYS_ON_LINE:
        found = line_cases(piece, ground, way=name, **options)
    elif name == "speed_line":
        found = speed_line_cases(piece, ground, **options)
    else:
        raise InvalidInputError(
            f"path of kind '{path.kind}': it does not say how it was made, so its cases cannot "
            "be tried. Make it by one of the ways of this layer."
        )
    return found
