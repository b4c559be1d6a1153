"""Checks of the numbers given to a formula: never a plausible result from a bad value."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from treescan.errors import InvalidInputError

Floats = npt.NDArray[np.float64]


def within(
    name: str,
    value: npt.ArrayLike,
    low: float,
    high: float,
    *,
    unit: str = "",
    open_low: bool = False,
) -> Floats:
    """Return ``value`` as float64, or raise when any entry is outside ``low``..``high``.

    Parameters
    ----------
    name : str
        What the number is, for the message.
    value : array_like
    low, high : float
        Inclusive limits; ``open_low`` excludes ``low`` itself.
    unit : str
        Unit shown in the message.

    Raises
    ------
    InvalidInputError
        When an entry is NaN or outside the limits.
    """
    array = np.asarray(value, dtype=np.float64)
    bad = ~((array > low) if open_low else (array >= low)) | ~(array <= high)
    if bad.any():
        worst = float(np.ravel(array)[np.ravel(bad)][0])
        sign = "above" if open_low else "at least"
        raise InvalidInputError(
            f"{name} is {worst:g}{' ' + unit if unit else ''}; it must be {sign} {low:g} and at "
            f"most {high:g}. Check the value and its unit."
        )
    return array


def positive(name: str, value: npt.ArrayLike, high: float = 1e12, unit: str = "") -> Floats:
    """Return ``value`` as float64, or raise unless 0 < value <= ``high``.

    Parameters
    ----------
    name : str
        As the message calls it.
    value : array_like
    high : float
        Greatest value accepted.
    unit : str
        As the message prints it.

    Raises
    ------
    InvalidInputError
        When an entry is NaN or outside the limits.
    """
    return within(name, value, 0.0, high, unit=unit, open_low=True)


def not_negative(name: str, value: npt.ArrayLike, high: float = 1e12, unit: str = "") -> Floats:
    """Return ``value`` as float64, or raise unless 0 <= value <= ``high``.

    Parameters
    ----------
    name : str
        As the message calls it.
    value : array_like
    high : float
        Greatest value accepted.
    unit : str
        As the message prints it.

    Raises
    ------
    InvalidInputError
        When an entry is NaN or outside the limits.
    """
    return within(name, value, 0.0, high, unit=unit)
