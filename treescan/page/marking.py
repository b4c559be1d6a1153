"""What can be marked on the plan picture, and how corners and words become a site entry."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

import numpy as np

from treescan.errors import InvalidInputError
from treescan.page.file_checks import is_number
from treescan.page.proposals import Found
from treescan.page.site_map import SiteMap
from treescan.site.model import Site

Json = dict[str, Any]
Shape = Literal["polygon", "box", "path", "wire", "point"]


@dataclass(frozen=True)
class Kind:
    """One kind of mark: its part of the site file, shape, words, and the values it takes."""

    key: str
    label: str
    words: str
    part: str
    shape: Shape
    takes: tuple[str, ...] = ()
    least: int = 1
    most: int = 2000


KINDS = {
    kind.key: kind
    for kind in (
        Kind(
            "scale", "Two points", "Tap the two ends of a length that you have taped on site.",
            "tree", "wire", ("known_length_m",), 2, 2,
        ),
        Kind("near", "Stem", "Tap the stem of the tree to be taken down.", "tree", "point", most=1),
        Kind(
            "area", "Target", "Tap the corners of what must not be hit, one after the other.",
            "target", "polygon", ("name", "height_m", "base_m", "margin_m"), 3,
        ),
        Kind(
            "box", "Box target", "Tap two corners along one side, then a point on the far side.",
            "target", "box", ("name", "height_m", "base_m", "margin_m"), 3, 3,
        ),
        Kind(
            "fence", "Fence, hedge, wall", "Tap along it, from one end to the other.",
            "target", "path", ("name", "height_m", "width_m", "margin_m"), 2,
        ),
        Kind(
            "wire", "Wire", "Tap each end and what it hangs on between; set every height.",
            "conductor", "wire", ("name", "kilovolts", "margin_m"), 2,
        ),
        Kind(
            "drop_zone", "Drop zone", "Tap the corners of ground where wood may fall free.",
            "drop_zone", "polygon", ("name", "surface", "max_energy_kj"), 3,
        ),
        Kind(
            "landing", "Landing", "Tap the corners of ground where pieces may be set down.",
            "landing", "polygon", ("name", "surface"), 3,
        ),
        Kind(
            "ground_anchor", "Ground anchor",
            "Tap what holds the lower end of a stretched line: another tree's foot, a vehicle.",
            "ground_anchor", "wire", ("name", "holds_kn"), most=1,
        ),
        Kind(
            "tie_in", "Tie-in wish", "Tap where the climber would like to tie in.",
            "climber", "wire", most=1,
        ),
    )
}  # fmt: skip
USUAL: Json = {
    "height_m": 2.5, "base_m": 0.0, "margin_m": 1.0, "width_m": 0.15, "surface": "turf",
}  # fmt: skip
PARTS = ("target", "conductor", "drop_zone", "landing", "ground_anchor")
ANCHOR_HEIGHT_M = 0.5
"""A ground anchor is tied this high above the ground until a person says otherwise. [m]"""


@dataclass
class Draft:
    """A mark under way on one device: corners so far, and values in SI.

    ``corners`` are (x, y) or (x, y, z) in scan coordinates.  [m]  ``replaces`` names the part
    and entry that it takes the place of, ``proposal`` the proposal it comes from.
    """

    kind: str = "area"
    corners: list[list[float]] = field(default_factory=list)
    values: Json = field(default_factory=dict)
    replaces: list[str] = field(default_factory=list)
    proposal: str = ""

    def as_dict(self) -> Json:
        """Plain data."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Json) -> Draft:
        """Read plain data; an empty draft when it is not usable."""
        try:
            draft = cls(**data)
        except TypeError:
            return cls()
        return draft if draft._usable() else cls()

    def _usable(self) -> bool:
        return (
            isinstance(self.kind, str)
            and self.kind in KINDS
            and isinstance(self.corners, list)
            and all(
                isinstance(c, list) and len(c) in (2, 3) and all(is_number(v) for v in c)
                for c in self.corners
            )
            and isinstance(self.values, dict)
            and isinstance(self.replaces, list)
            and all(isinstance(v, str) for v in self.replaces)
            and isinstance(self.proposal, str)
        )

    def begin(self, kind: str) -> None:
        """Begin a mark of another kind; corners and words of this one are dropped."""
        self.kind, self.corners, self.values = kind, [], {}
        self.replaces, self.proposal = [], ""

    def tap(self, x_m: float, y_m: float, site_map: SiteMap) -> None:
        """Add a corner; a wire's point takes its height from the scan, else from the last one."""
        kind = KINDS[self.kind]
        corner = [round(x_m, 3), round(y_m, 3)]
        if kind.shape == "wire":
            corner.append(round(self._height(x_m, y_m, site_map), 2))
        self.corners = [*self.corners, corner][-kind.most :]

    def _height(self, x_m: float, y_m: float, site_map: SiteMap) -> float:
        ground, seen = site_map.ground_at(x_m, y_m), site_map.height_at(x_m, y_m)
        if self.kind == "scale":
            return ground + (seen or 0.0)
        if self.kind == "ground_anchor":
            return ground + ANCHOR_HEIGHT_M
        if seen is not None and seen > 2.0:
            return ground + seen
        return ground + (self.corners[-1][2] - ground if self.corners else 6.0)

    def nudge(self, east_m: float, north_m: float) -> None:
        """Move the last corner a little."""
        if self.corners:
            x, y, *rest = self.corners[-1]
            self.corners[-1] = [round(x + east_m, 3), round(y + north_m, 3), *rest]

    def value(self, key: str) -> Any:
        """Value given, else the usual one; a wire's room follows from its voltage."""
        usual = None if KINDS[self.kind].part == "conductor" else USUAL.get(key)
        return self.values.get(key, usual)

    def outline(self) -> list[list[float]]:
        """Corners as they will be kept: a box gets its fourth."""
        if KINDS[self.kind].shape == "box" and len(self.corners) == 3:
            return box_corners(self.corners)
        return self.corners


def box_corners(taps: list[list[float]]) -> list[list[float]]:
    """Rectangle on the side between the first two taps, as deep as the third lies away from it.

    Raises
    ------
    InvalidInputError
        If the first two taps are one place, or the third lies on their line.
    """
    a, b, c = (np.asarray(tap[:2], dtype=float) for tap in taps)
    side = b - a
    length = float(np.hypot(*side))
    if length < 0.05:
        raise InvalidInputError("Box: the two corners of the side are the same place. Tap again.")
    across = np.array([-side[1], side[0]]) / length
    depth = float((c - a) @ across)
    if abs(depth) < 0.05:
        raise InvalidInputError("Box: the third tap lies on the side. Tap a point on the far side.")
    corners = (a, b, b + depth * across, a + depth * across)
    return [[round(float(x), 3), round(float(y), 3)] for x, y in corners]


def entry_of(draft: Draft, taken: set[str]) -> Json:
    """Entry of the site file that a draft makes.

    Raises
    ------
    InvalidInputError
        If corners or a value are missing; a wire's voltage is never guessed.
    """
    kind = KINDS[draft.kind]
    if len(draft.corners) < kind.least:
        raise InvalidInputError(
            f"{kind.label}: {len(draft.corners)} of at least {kind.least} taps. {kind.words}"
        )
    if "kilovolts" in kind.takes and not draft.values.get("kilovolts"):
        raise InvalidInputError(
            "Wire: the voltage is missing. Ask the network operator; treat it as live till then."
        )
    name = str(draft.values.get("name") or "").strip() or kind.label.lower()
    entry: Json = {"name": _free(name, taken)}
    for key in kind.takes:
        value = draft.value(key)
        if key != "name" and value is not None:
            entry[key] = value
    if kind.key == "ground_anchor":
        entry["at_m"] = draft.corners[0]
        return entry
    key = "footprint_m" if kind.shape in ("polygon", "box") else "path_m"
    entry[key] = draft.outline()
    return entry


def kept(data: Json, draft: Draft) -> Json:
    """Site data with the draft's mark in it (in place of the entry it replaces)."""
    kind = KINDS[draft.kind]
    if kind.key == "near":
        _require_tap(draft, kind)
        data.setdefault("tree", {})["near_m"] = draft.corners[0]
        return data
    if kind.key == "tie_in":
        _require_tap(draft, kind)
        data.setdefault("climber", {})["tie_in_m"] = draft.corners[0]
        return data
    if kind.key == "scale":
        return _with_known_length(data, draft)
    rows = list(data.get(kind.part, []))
    old = next((i for i, r in enumerate(rows) if [kind.part, r["name"]] == draft.replaces), None)
    own = rows[old]["name"] if old is not None else None
    entry = entry_of(draft, names_like(data, kind.part) - {own})
    if old is None:
        rows.append(entry)
    else:
        rows[old] = entry
    return {**data, kind.part: rows}


def _with_known_length(data: Json, draft: Draft) -> Json:
    if len(draft.corners) < 2:
        raise InvalidInputError("Two points: tap both ends of the length.")
    if not draft.values.get("known_length_m"):
        raise InvalidInputError("Two points: the taped length between them is missing.")
    taped = {"known_length_m": draft.values["known_length_m"]}
    points = {"known_length_points_m": draft.corners}
    return {**data, "tree": {**data.get("tree", {}), **taped, **points}}


def _require_tap(draft: Draft, kind: Kind) -> None:
    if not draft.corners:
        raise InvalidInputError(f"{kind.label}: nothing is tapped yet. {kind.words}")


def names_like(data: Json, part: str) -> set[str]:
    """Names that an entry of a part may not have: targets and wires share theirs."""
    parts = ("target", "conductor") if part in ("target", "conductor") else (part,)
    return {row["name"] for name in parts for row in data.get(name, [])}


def _free(name: str, taken: set[str]) -> str:
    numbers = (name if n == 1 else f"{name} {n}" for n in range(1, 10_000))
    return next(text for text in numbers if text not in taken)


def draft_of(part: str, entry: Json) -> Draft:
    """Draft that starts from what an entry says."""
    keys = [k for k in KINDS.values() if k.part == part]
    if part == "ground_anchor":
        given = {k: entry[k] for k in keys[0].takes if entry.get(k) is not None}
        return Draft(keys[0].key, [list(entry["at_m"])], given)
    path = entry.get("path_m") is not None
    kind = next(k for k in keys if (k.shape in ("path", "wire")) == path)
    values = {k: entry[k] for k in kind.takes if entry.get(k) is not None}
    corners = entry["path_m"] if path else entry["footprint_m"]
    return Draft(kind.key, [list(c) for c in corners], values)


def draft_of_proposal(found: Found) -> Draft:
    """Draft that starts from a proposal; a wire's voltage stays open."""
    draft = draft_of(found.part, found.entry)
    draft.values.pop("kilovolts", None)
    draft.proposal = found.key
    return draft


def facts(part: str, entry: Any) -> list[tuple[str, float | str]]:
    """What to say of a marked thing: (key, SI value or word)."""
    keys = {
        "target": ("height_m", "margin_m"), "conductor": ("kilovolts", "margin_m"),
        "drop_zone": ("surface",), "landing": ("surface",), "ground_anchor": ("holds_kn",),
    }[part]  # fmt: skip
    pairs = [(key, getattr(entry, key)) for key in keys]
    return [(key, value) for key, value in pairs if value is not None]


def site_entry(site: Site, part: str, name: str) -> Json:
    """Entry of a site by name, as plain data.

    Raises
    ------
    InvalidInputError
        When it is gone.
    """
    for item in getattr(site, part):
        if item.name == name:
            data: Json = item.model_dump(mode="json", exclude_none=True)
            return data
    raise InvalidInputError(f"“{name}” is not marked any more.")
