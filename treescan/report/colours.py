"""Colours that stay apart for colour-blind eyes, in sunlight and on grey paper.

Categories use the set of Okabe and Ito (2008), "Color Universal Design"; load shares use a
ramp of rising darkness from the CIVIDIS colour map (Nuñez, Anderton and Renslow 2018,
PLoS ONE 13(7): e0199239), sampled through matplotlib.  Colour never stands alone: a number,
letter or hatch always says the same.
"""

from __future__ import annotations

import matplotlib
import numpy as np
import numpy.typing as npt

CATEGORIES = (
    "#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00", "#B8A800", "#5B4B8A",
)  # fmt: skip
TARGET = "#D55E00"
CONDUCTOR = "#CC79A7"
DROP_ZONE = "#009E73"
LANDING = "#56B4E9"
ANCHOR = "#0072B2"
TIE_IN = "#5B4B8A"
TIE = "#E69F00"
PATH = "#3A3A3A"
FALLS = "#4D4D4D"
ON_LINE = "#0072B2"
STAYS = "#8A8378"
SAWN = "#F2DFB4"
GROUND = "#DAD7CC"
NO_LOAD = "#B9B9B9"
OVER_LIMIT = "#B00020"


def step_colour(number: int) -> str:
    """Colour of a step's piece; neighbours in the order differ, the number says which."""
    return CATEGORIES[(number - 1) % len(CATEGORIES)]


def load_colour(share: float | None) -> str:
    """Colour of a load share: light at 0, dark at the limit, red only beyond it."""
    if share is None:
        return NO_LOAD
    if share > 1.0:
        return OVER_LIMIT
    ramp = matplotlib.colormaps["cividis_r"]
    return str(matplotlib.colors.to_hex(ramp(0.05 + 0.95 * max(share, 0.0))))


def rgb(colour: str) -> npt.NDArray[np.float64]:
    """SRGB components of a hex colour, each a share 0..1, shape (3,)."""
    return np.asarray(matplotlib.colors.to_rgb(colour), dtype=np.float64)


def linear(colour: str, alpha: float = 1.0) -> list[float]:
    """Linear RGBA as glTF wants its colours (inverse sRGB transfer, IEC 61966-2-1)."""
    srgb = rgb(colour)
    value = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    return [round(float(v), 5) for v in value] + [alpha]
