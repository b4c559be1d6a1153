"""The aim of a hinge: the stem's section from above with face, hinge and direction of fall."""

from __future__ import annotations

import math

from reportlab.platypus import Flowable

from treescan.report.wording import short_compass

FACE_DEPTH = 0.28
"""Depth of the face as share of the diameter, for the drawing: between a quarter and a third."""


def section_points(azimuth_deg: float, radius: float) -> dict[str, list[tuple[float, float]]]:
    """Outline of the section, and the hinge line, as points (x east, y north)."""
    a = math.radians(azimuth_deg)
    ahead, across = (math.sin(a), math.cos(a)), (math.cos(a), -math.sin(a))
    deep = radius * (1 - 2 * FACE_DEPTH)
    half = math.sqrt(radius**2 - deep**2)

    def at(forward: float, side: float) -> tuple[float, float]:
        return forward * ahead[0] + side * across[0], forward * ahead[1] + side * across[1]

    face = [at(radius * math.cos(t), radius * math.sin(t)) for t in _arc(math.atan2(half, deep))]
    return {
        "face": face,
        "hinge": [at(deep, -half), at(deep, half)],
        "back": [at(deep - 0.16 * radius, -half), at(deep - 0.16 * radius, half)],
        "arrow": [at(1.12 * radius, 0), at(1.75 * radius, 0)],
        "head": [
            at(1.95 * radius, 0),
            at(1.65 * radius, 0.14 * radius),
            at(1.65 * radius, -0.14 * radius),
        ],
        "name": [at(2.25 * radius, 0)],
    }


def _arc(half_angle: float, count: int = 15) -> list[float]:
    return [-half_angle + 2 * half_angle * i / (count - 1) for i in range(count)]


class HingeFlowable(Flowable):
    """Small drawing of a hinge's aim: face hatched, hinge between two lines, arrow to the fall."""

    def __init__(self, azimuth_deg: float, below_level_deg: float, width_pt: float) -> None:
        super().__init__()
        self.azimuth_deg, self.below = azimuth_deg, below_level_deg
        self.width, self.height = width_pt, 74.0

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on the page."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the canvas platypus hands over."""
        page, radius = self.canv, 15.0
        page.saveState()
        page.translate(38, 42)
        parts = section_points(self.azimuth_deg, radius)
        page.setLineWidth(1)
        page.circle(0, 0, radius)
        path = page.beginPath()
        path.moveTo(*parts["face"][0])
        for point in parts["face"][1:]:
            path.lineTo(*point)
        path.close()
        page.setFillGray(0.75)
        page.drawPath(path, stroke=1, fill=1)
        page.setFillGray(0)
        page.setLineWidth(1.6)
        page.line(*parts["hinge"][0], *parts["hinge"][1])
        page.line(*parts["back"][0], *parts["back"][1])
        page.line(*parts["arrow"][0], *parts["arrow"][1])
        head = page.beginPath()
        head.moveTo(*parts["head"][0])
        for point in parts["head"][1:]:
            head.lineTo(*point)
        head.close()
        page.drawPath(head, fill=1)
        page.restoreState()
        page.setFont("Sans-Bold", 8.5)
        page.drawString(78, 52, f"Aim {short_compass(self.azimuth_deg)}")
        page.drawString(78, 41, f"({self.azimuth_deg:.0f}°)")
        page.setFont("Sans", 6.5)
        page.drawString(78, 30, "grey: face")
        page.drawString(78, 22, "lines: hinge")
        page.drawString(2, 2, "Hinge from above, north up")
