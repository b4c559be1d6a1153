"""Find places for the labels of a drawing so that none hides another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Box:
    """A rectangle in drawing metres."""

    x0: float
    y0: float
    x1: float
    y1: float

    def overlap(self, other: Box) -> float:
        """Shared area."""
        wide = min(self.x1, other.x1) - max(self.x0, other.x0)
        high = min(self.y1, other.y1) - max(self.y0, other.y0)
        return max(wide, 0.0) * max(high, 0.0)

    def moved(self, dx: float, dy: float) -> Box:
        """The box shifted."""
        return replace(self, x0=self.x0 + dx, x1=self.x1 + dx, y0=self.y0 + dy, y1=self.y1 + dy)

    def inside(self, frame: Box) -> Box:
        """The box pushed into a frame."""
        dx = max(frame.x0 - self.x0, 0.0) - max(self.x1 - frame.x1, 0.0)
        dy = max(frame.y0 - self.y0, 0.0) - max(self.y1 - frame.y1, 0.0)
        return self.moved(dx, dy)


def text_box(at: tuple[float, float], text: str, size_m: float, anchor: str, *, bold: bool) -> Box:
    """Box around a text whose letters are ``size_m`` high; about 0.6 of that wide each."""
    wide = len(text) * size_m * (0.68 if bold else 0.6)
    left = at[0] - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
    return Box(left, at[1] - 0.25 * size_m, left + wide, at[1] + 0.95 * size_m)


def _offsets(box: Box) -> Iterator[tuple[float, float]]:
    wide, high = box.x1 - box.x0, box.y1 - box.y0
    yield 0.0, 0.0
    for far in (1.1, 2.2, 3.3, 4.5, 6.0):
        for dx, dy in (
            (0, 1),
            (0, -1),
            (0.6, 0),
            (-0.6, 0),
            (0.6, 1),
            (-0.6, 1),
            (0.6, -1),
            (-0.6, -1),
        ):
            yield dx * (wide * min(far, 2.2) * 0.6 + high * (far - 1.0)), dy * high * far


def free_place(box: Box, taken: list[Box], frame: Box) -> Box:
    """The nearest place for a box that overlaps none of the taken ones; else the least bad."""
    best, worst = box.inside(frame), float("inf")
    for dx, dy in _offsets(box):
        place = box.moved(dx, dy).inside(frame)
        clash = sum(place.overlap(t) for t in taken)
        if clash <= 0.0:
            return place
        if clash < worst:
            best, worst = place, clash
    return best
