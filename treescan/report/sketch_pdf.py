"""A :class:`~treescan.report.sketch.Sketch` on a ReportLab page."""

from __future__ import annotations

from typing import Any

from reportlab.lib.colors import Color, HexColor
from reportlab.platypus import Flowable

from treescan.report.sketch import Label, Shape, Sketch
from treescan.units import UnitSystem


class SketchFlowable(Flowable):
    """Draws a sketch ``width_pt`` wide with a thin frame and its title below.

    ``base`` is a sketch in the same window that many share: it is put into the file once.
    """

    def __init__(
        self,
        sketch: Sketch,
        width_pt: float,
        units: UnitSystem,
        height_pt: float | None = None,
        base: Sketch | None = None,
    ) -> None:
        super().__init__()
        self.sketch, self.units, self.base = sketch, units, base
        self.hAlign = "CENTER"
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
        if self.base is not None:
            self._shared(page, self.base)
        self._items(page, self.sketch)
        page.restoreState()
        page.setLineWidth(0.4)
        page.rect(0, 11, self.width, self.drawn_height)
        page.setFont("Sans", 7)
        page.drawString(0, 2, self.sketch.title)

    def _items(self, page: Any, sketch: Sketch, *, see_through: bool = True) -> None:
        """Draw all items; a form cannot hold see-through colours, so they are mixed with white."""
        for item in sketch.items:
            if isinstance(item, Shape):
                self._shape(page, item, see_through=see_through)
            else:
                self._label(page, item, 0.75 if see_through else 1.0)

    def _shared(self, page: Any, base: Sketch) -> None:
        """Draw the base as a form that is in the file once."""
        name = f"base{self.width:.0f}x{self.drawn_height:.0f}"
        if not page.hasForm(name):
            page.beginForm(name, 0, 0, self.width, self.drawn_height)
            self._items(page, base, see_through=False)
            page.endForm()
        page.doForm(name)

    def _place(self, x: float, y: float) -> tuple[float, float]:
        x0, y0, _, _ = self.sketch.window_m
        return (x - x0) * self.scale, (y - y0) * self.scale

    def _shape(self, page: Any, item: Shape, *, see_through: bool) -> None:
        page.saveState()
        if item.fill:
            page.setFillColor(_paint(item.fill, 1.0 if see_through else item.opacity))
            if see_through and item.opacity < 1:
                page.setFillAlpha(item.opacity)
        if item.stroke:
            page.setStrokeColor(_paint(item.stroke, 1.0 if see_through else item.opacity))
            if see_through and item.opacity < 1:
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
        page.drawPath(path, stroke=1 if item.stroke else 0, fill=1 if item.fill else 0, fillMode=1)
        page.restoreState()

    def _label(self, page: Any, item: Label, alpha: float) -> None:
        text, font = item.text.text(self.units), "Sans-Bold" if item.bold else "Sans"
        x, y = self._place(*item.at_m)
        wide = page.stringWidth(text, font, item.size_pt)
        x -= {"start": 0.0, "middle": wide / 2, "end": wide}[item.anchor]
        page.saveState()
        page.setFillColor(HexColor("#FFFFFF"))
        if alpha < 1:
            page.setFillAlpha(alpha)
        page.rect(x - 1, y - 1.5, wide + 2, item.size_pt, stroke=0, fill=1)
        if alpha < 1:
            page.setFillAlpha(1)
        page.setFillColor(HexColor(item.colour))
        page.setFont(font, item.size_pt)
        page.drawString(x, y, text)
        page.restoreState()


def _paint(colour: str, share: float) -> Color:
    """A colour, or its mix with white where ``share`` of it is left."""
    full = HexColor(colour)
    return Color(*(1 - share * (1 - v) for v in (full.red, full.green, full.blue)))
