"""The parts of a sample's site file, as a crew would type them: one function a table."""

from __future__ import annotations

import numpy as np


def text(comment: str, *tables: str) -> str:
    """The file: a comment, then its tables with a line between them."""
    first, *rest = tables
    return "\n".join([f"{comment}\n{first}", *rest])


def job(name: str, species: str) -> str:
    """Name of the job and species of the tree."""
    return f'[job]\nname = "{name}"\nspecies = "{species}"\n'


def tree(at: np.ndarray, origin: np.ndarray, dbh_tape_m: float | None = None) -> str:
    """Where the stem stands, (2,) in the local frame, and its taped DBH."""
    taped = "" if dbh_tape_m is None else f"dbh_tape_m = {dbh_tape_m:.2f}\n"
    return f"[tree]\nnear_m = {_point(at, origin)}\n{taped}"


def conditions(in_leaf: bool, season: str) -> str:
    """Leaf and season."""
    return f'[conditions]\nin_leaf = {str(in_leaf).lower()}\nseason = "{season}"\n'


def target(
    name: str, outline: np.ndarray, origin: np.ndarray, height_m: float, margin_m: float
) -> str:
    """A thing with a footprint (k, 2)."""
    return (
        f'[[target]]\nname = "{name}"\nfootprint_m = {_path(outline, origin)}\n'
        f"height_m = {height_m}\nmargin_m = {margin_m}\n"
    )


def fence(line: np.ndarray, origin: np.ndarray, height_m: float, margin_m: float) -> str:
    """A fence 0.1 m wide along a line of many points (k, 2 or 3), given by its corners."""
    return (
        f'[[target]]\nname = "fence"\npath_m = {_path(_corners(line), origin)}\nwidth_m = 0.1\n'
        f"height_m = {height_m}\nmargin_m = {margin_m}\n"
    )


def conductor(name: str, line: np.ndarray, origin: np.ndarray, kilovolts: float) -> str:
    """A wire through points (k, 3)."""
    points = ", ".join(f"[{x:.2f}, {y:.2f}, {z:.2f}]" for x, y, z in np.asarray(line) + origin)
    return f'[[conductor]]\nname = "{name}"\npath_m = [{points}]\nkilovolts = {kilovolts}\n'


def zone(kind: str, name: str, outline: np.ndarray, origin: np.ndarray, surface: str) -> str:
    """A drop zone or a landing with a footprint (k, 2)."""
    return (
        f'[[{kind}]]\nname = "{name}"\nfootprint_m = {_path(outline, origin)}\n'
        f'surface = "{surface}"\n'
    )


def crew(climber_kg: int, ground: int, line_length_m: int) -> str:
    """Climber, hands below and the line they have."""
    return (
        f"[climber]\nmass_kg = {climber_kg}\n\n[crew]\nground = {ground}\n\n"
        f'[gear]\nline = "16 mm double-braid polyester"\nline_length_m = {line_length_m}\n'
    )


def limits(**values: float) -> str:
    """What must not be passed."""
    return "[limits]\n" + "".join(f"{key} = {value}\n" for key, value in values.items())


def trucks(*rows: dict[str, str | float]) -> str:
    """Trucks, one row each."""
    lines = [
        ", ".join(f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in row.items())
        for row in rows
    ]
    return "[haul]\ntrucks = [\n" + "".join(f"  {{ {line} }},\n" for line in lines) + "]\n"


def _point(at: np.ndarray, origin: np.ndarray) -> str:
    return f"[{at[0] + origin[0]:.2f}, {at[1] + origin[1]:.2f}]"


def _path(points: np.ndarray, origin: np.ndarray) -> str:
    return "[" + ", ".join(_point(q, origin) for q in np.asarray(points)) + "]"


def _corners(line: np.ndarray) -> np.ndarray:
    """Corners (k, 2) of a path given by many points."""
    flat = line[:, :2]
    fresh = np.linalg.norm(np.diff(flat, axis=0), axis=1) > 1e-6
    flat = flat[np.concatenate([[True], fresh])]
    keep = [0]
    for i in range(1, len(flat) - 1):
        a, b = flat[i] - flat[i - 1], flat[i + 1] - flat[i]
        if abs(a[0] * b[1] - a[1] * b[0]) > 0.02 * np.linalg.norm(a) * np.linalg.norm(b):
            keep.append(i)
    return flat[[*keep, len(flat) - 1]]
