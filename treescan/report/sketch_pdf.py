"""A :class:`~treescan.report.sketch.Sketch` on a ReportLab page."""

from __future__ import annotations

from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.platypus import Flowable

from treescan.report.sketch import Label, Shape, Sketch
from treescan.units import UnitSystem


class SketchFlowable(Flowable):
    """Draws a sketch ``width_pt`` wide with a thin frame and its title below."""

    def __init__(
        self, sketch: Sketch, width_pt: float, units: UnitSystem, height_pt: float | None = None
    ) -> None:
        super().__init__()
        self.sketch, self.units = sketch, units
        self.scale = width_pt / (sketch.window_m[2] - sketch.window_m[0])
        self.drawn_height = width_pt * sketch.aspect
        if height_pt is not None and self.drawn_height > height_pt - 11:
            self.scale *= (height_pt - 11) / self.drawn_height
            self.drawn_height = height_pt - 11
        self.width = self.scale * (sketch.window_m[2] - sketch.window_m[0])
        self.height = self.drawn_height + 11

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on the page."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the canvas platypus hands over."""
        page = self.canv
        page.saveState()
        page.translate(0, 11)
        clip = page.beginPath()
        clip.rect(0, 0, self.width, self.drawn_height)
        page.clipPath(clip, stroke=0, fill=0)
        for item in self.sketch.items:
            if isinstance(item, Shape):
                self._shape(page, item)
            else:
                self._label(page, item)
        page.restoreState()
        page.setLineWidth(0.4)
        page.rect(0, 11, self.width, self.drawn_height)
        page.setFont("Sans", 7)
        page.drawString(0, 2, self.sketch.title)

    def _place(self, x: float, y: float) -> tuple[float, float]:
        x0, y0, _, _ = self.sketch.window_m
        return (x - x0) * self.scale, (y - y0) * self.scale

    def _shape(self, page: Any, item: Shape) -> None:
        page.saveState()
        if item.fill:
            page.setFillColor(HexColor(item.fill))
            page.setFillAlpha(item.opacity)
        if item.stroke:
            page.setStrokeColor(HexColor(item.stroke))
            page.setStrokeAlpha(item.opacity)
            page.setLineWidth(item.width_pt)
            page.setLineJoin(1)
            if item.dash_pt:
                page.setDash(*item.dash_pt)
        path = page.beginPath()
        for line in item.lines_m:
            path.moveTo(*self._place(float(line[0][0]), float(line[0][1])))
            for x, y in line[1:]:
                path.lineTo(*self._place(float(x), float(y)))
            if item.closed:
                path.close()
        page.drawPath(path, stroke=1 if item.stroke else 0, fill=1 if item.fill else 0)
        page.restoreState()

    def _label(self, page: Any, item: Label) -> None:
        text, font = item.text.text(self.units), "Sans-Bold" if item.bold else "Sans"
        x, y = self._place(*item.at_m)
        wide = page.stringWidth(text, font, item.size_pt)
        x -= {"start": 0.0, "middle": wide / 2, "end": wide}[item.anchor]
        page.saveState()
        page.setFillColor(HexColor("#FFFFFF"))
        page.setFillAlpha(0.75)
        page.rect(x - 1, y - 1.5, wide + 2, item.size_pt, stroke=0, fill=1)
        page.setFillAlpha(1)
        page.setFillColor(HexColor(item.colour))
        page.setFont(font, item.size_pt)
        page.drawString(x, y, text)
        page.restoreState()
