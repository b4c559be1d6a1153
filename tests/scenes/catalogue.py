"""Which scenes the tool is judged on."""

from __future__ import annotations

from dataclasses import dataclass

from tests.scenes.grow import SHAPES
from tests.scenes.scene import Scene, make_scene

COLUMNS = ("bare, tripod", "in leaf or poor", "phone")
"""Columns of the table of aims; a mobile scanner is judged with the second."""


@dataclass(frozen=True)
class EvaluationScene:
    """A scene by its parameters; ``make()`` scans it or takes it from the cache."""

    shape: str
    seed: int
    setting: str
    in_leaf: bool
    registration: str
    surroundings: str = "yard"
    max_points: int = 1_200_000
    options: tuple[tuple[str, float], ...] = ()

    @property
    def name(self) -> str:
        """Short name for tables."""
        leaf = "leaf" if self.in_leaf else "bare"
        return f"{self.shape}-{self.seed} {self.setting} {leaf} {self.registration}"

    @property
    def column(self) -> str:
        """Which aims apply."""
        if self.setting == "phone":
            return COLUMNS[2]
        hard = self.in_leaf or self.registration == "poor" or self.setting == "mobile"
        return COLUMNS[1] if hard else COLUMNS[0]

    @property
    def blur_m(self) -> float:
        """How far sway and co-registration may move an axis."""
        return 0.05 if self.registration == "poor" or self.setting != "tripod" else 0.02

    def make(self) -> Scene:
        """The scene."""
        return make_scene(
            self.shape,
            self.seed,
            self.setting,
            self.in_leaf,
            self.registration,
            self.surroundings,
            self.max_points,
            **dict(self.options),
        )


PHONE_TREES: dict[str, tuple[tuple[str, float], ...]] = {
    "broadleaf": (("dbh_m", 0.30), ("height_m", 8.5), ("bole_m", 1.8), ("fork_m", 2.0)),
    "conifer": (("dbh_m", 0.24), ("height_m", 9.0), ("bole_m", 0.9)),
    "leaning": (("dbh_m", 0.26), ("height_m", 7.5), ("bole_m", 1.6), ("fork_m", 2.2)),
    "multistem": (("dbh_m", 0.30), ("height_m", 6.5), ("bole_m", 1.2), ("fork_m", 0.4)),
    "flared": (("dbh_m", 0.55), ("height_m", 9.5), ("bole_m", 2.0), ("fork_m", 2.2)),
}
"""A phone reaches about 5 m: it is used on smaller trees."""

CONDITIONS = (
    ("tripod", False, "good", "yard"),
    ("tripod", False, "poor", "none"),
    ("tripod", True, "good", "yard"),
    ("mobile", False, "good", "yard"),
    ("mobile", True, "poor", "none"),
    ("phone", False, "good", "yard"),
    ("phone", True, "poor", "none"),
)


def evaluation_scenes(first_seed: int = 100) -> list[EvaluationScene]:
    """Every shape under every condition, and a second bare tripod scan of each: 40 scenes.

    Another ``first_seed`` gives other trees: keep some back while tuning.
    """
    found = []
    for i, shape in enumerate(SHAPES):
        for k, condition in enumerate(CONDITIONS):
            options = PHONE_TREES[shape] if condition[0] == "phone" else ()
            found.append(
                EvaluationScene(shape, first_seed + 10 * i + k, *condition, options=options)
            )
        found.append(EvaluationScene(shape, first_seed + 10 * i + 9, "tripod", False, "good"))
    return found


def touching_scenes(first_seed: int = 300) -> list[EvaluationScene]:
    """Scenes in which neighbours' crowns touch the tree's own, for choosing the tree."""
    found = []
    for i, shape in enumerate(("broadleaf", "conifer", "leaning", "multistem")):
        for k, (setting, leaf) in enumerate(
            (("tripod", False), ("tripod", True), ("mobile", False))
        ):
            seed = first_seed + 10 * i + k
            found.append(EvaluationScene(shape, seed, setting, leaf, "good", "touching"))
    return found
