"""``cut_list.pdf``: cover, one card a step (or rows), haul sheet and cautions, for paper.

Black on white, no dark fills, a tick box a step, page x of y; the same input gives the same bytes.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Literal
from xml.sax.saxutils import escape

import matplotlib
from reportlab import rl_config
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from treescan.planning.types import JobResult
from treescan.report import wording
from treescan.report.cautions import SHORT, all_cautions
from treescan.report.drawings import cut_sketch, plan_sketch, plan_window, site_sketch, step_overlay
from treescan.report.facts import StepFacts, step_facts
from treescan.report.hinge_sketch import HingeFlowable
from treescan.report.plan_json import plan_identity
from treescan.report.ribbons import Wood, wood_of
from treescan.report.sketch import Sketch
from treescan.report.sketch_pdf import SketchFlowable
from treescan.report.tables import (
    anchor_words,
    as_text,
    card_words,
    governs_text,
    haul_words,
    left_out,
    limits_list,
    quote_words,
    reading_list,
    shown_places,
    summary_rows,
    target_words,
    tie_in_words,
    truck_words,
    unseen_list,
)
from treescan.units import UnitSystem

Paper = Literal["letter", "a4"]
MARGIN = 40.0
GRID = colors.HexColor("#777777")


def cut_card_pdf(
    result: JobResult,
    units: UnitSystem = "metric",
    paper: Paper | None = None,
    *,
    rows: bool = False,
) -> bytes:
    """Return the printed cut list.

    ``paper`` defaults to Letter with US units and to A4 otherwise; ``rows`` gives one table
    row a step in place of a card a step.
    """
    _fonts()
    size = LETTER if (paper or ("letter" if units == "us" else "a4")) == "letter" else A4
    wood, width = wood_of(result), size[0] - 2 * MARGIN
    story = _cover(result, wood, units, width, size[1] - 2 * MARGIN)
    facts = step_facts(result)
    steps = result.plan.steps if result.plan else ()
    if rows:
        story += [PageBreak(), _row_table(facts, units, width)]
    else:
        story.append(PageBreak())
        base = site_sketch(result, wood, 0.26 * width)
        for step, fact in zip(steps, facts, strict=True):
            drawings = (
                cut_sketch(result, step, wood, 0.26 * width),
                base,
                step_overlay(wood, step, base),
            )
            below = step.hinge_below_level_deg or 0.0
            story += [_card(fact, drawings, units, width, below), Spacer(1, 10)]
    story += _last_pages(result, units, width)
    return _build(result, story, size)


def _fonts() -> None:
    """Register the DejaVu fonts that come with matplotlib: the built-in ones lack ≤ and →."""
    rl_config.useA85 = 0  # binary streams: smaller and faster than letters
    if "Sans" in pdfmetrics.getRegisteredFontNames():
        return
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (("Sans", "DejaVuSans.ttf"), ("Sans-Bold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily(
        "Sans", normal="Sans", bold="Sans-Bold", italic="Sans", boldItalic="Sans-Bold"
    )


def _style(size: float = 9.5, *, bold: bool = False, after: float = 2) -> ParagraphStyle:
    return ParagraphStyle(
        "s",
        fontName="Sans-Bold" if bold else "Sans",
        fontSize=size,
        leading=size * 1.28,
        spaceAfter=after,
    )


def _say(text: str, size: float = 9.5, *, bold: bool = False) -> Paragraph:
    return Paragraph(escape(text), _style(size, bold=bold))


class _NumberedCanvas(Canvas):
    """Writes "page x of y" with the plan's name on every page."""

    def __init__(self, *args: Any, foot: str = "", alert: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._foot, self._alert = foot, alert
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802
        """Keep the page until their number is known."""
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Write all pages."""
        for number, page in enumerate(self._pages, start=1):
            self.__dict__.update(page)
            width = self._pagesize[0]
            self.setFont("Sans", 7.5)
            self.drawString(MARGIN, 26, self._foot)
            self.drawRightString(width - MARGIN, 26, f"page {number} of {len(self._pages)}")
            self.setFont("Sans", 6.5)
            self.drawString(MARGIN, 16, SHORT)
            if self._alert:
                self.setFont("Sans-Bold", 9)
                self.drawString(MARGIN, self._pagesize[1] - 28, self._alert)
            super().showPage()
        super().save()


def _build(result: JobResult, story: list[Flowable], size: tuple[float, float]) -> bytes:
    out = io.BytesIO()
    plan = result.plan
    day = result.date or "date: ____________"
    foot = f"Plan {plan_identity(result)}  ·  {day}  ·  scan {result.scan_name}"
    alert = ""
    if plan is not None and not plan.feasible:
        alert = "NOT A WORKING PLAN: limits are broken. Do not start; see the marked steps."
    document = BaseDocTemplate(
        out,
        pagesize=size,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=MARGIN,
        title=f"Cut list, {result.site.job.name}",
        author="treescan",
        subject=SHORT,
        invariant=1,
    )
    frame = Frame(MARGIN, MARGIN, size[0] - 2 * MARGIN, size[1] - 2 * MARGIN, 0, 0, 0, 0)
    document.addPageTemplates([PageTemplate("page", [frame])])

    def canvas(*args: Any, **kwargs: Any) -> _NumberedCanvas:
        return _NumberedCanvas(*args, foot=foot, alert=alert, **kwargs)

    document.build(story, canvasmaker=canvas)
    return out.getvalue()


def _cover(
    result: JobResult, wood: Wood, units: UnitSystem, width: float, height: float
) -> list[Flowable]:
    plan = result.plan
    story: list[Flowable] = [
        _say(f"Cut list: {result.site.job.name}", 20, bold=True),
        Spacer(1, 4),
        _say(f"{result.species.common_name} ({result.species.scientific_name})", 11),
    ]
    if plan is not None:
        story.append(
            _say(wording.bilingual(f"Plan: {plan.name}. {plan.explanation}").text(units), 9.5)
        )
        if not plan.feasible:
            story.append(
                _say(
                    "No order of cuts keeps every limit. "
                    + wording.bilingual(plan.smallest_change).text(units),
                    11,
                    bold=True,
                )
            )
    rows = summary_rows(result)
    half = (len(rows) + 1) // 2
    right = [*rows[half:], *[("", wording.plain(""))] * (2 * half - len(rows))]
    cells = [
        [
            cell
            for name, words in pair
            for cell in (_say(name, 9), _say(words.text(units), 9.5, bold=True))
        ]
        for pair in zip(rows[:half], right, strict=True)
    ]
    table = Table(cells, [0.2 * width, 0.3 * width] * 2)
    table.setStyle(_lines())
    below: list[Flowable] = [
        Spacer(1, 6),
        *(_bullet(wording.bilingual(c).text(units)) for c in all_cautions(result)[:3]),
        Spacer(1, 6),
        _say(_acceptance(result), 9),
    ]
    story += [Spacer(1, 4), table, Spacer(1, 8)]
    room = height - sum(f.wrap(width, height)[1] + _after(f) for f in (*story, *below)) - 16
    x0, y0, x1, y1 = plan_window(result, plan.steps if plan else ())
    wide = min(width, (max(room, 160.0) - 11) * (x1 - x0) / (y1 - y0))
    story.append(SketchFlowable(plan_sketch(result, wood, width_pt=wide), wide, units))
    return story + below


def _acceptance(result: JobResult) -> str:
    if result.plan is not None and not result.plan.feasible:
        return "Not for acceptance: limits are broken. Change what the cover names and plan again."
    return "Accepted by (name, licence, signature): ___________________________  Date: __________"


def _after(flowable: Flowable) -> float:
    return float(flowable.getSpaceAfter() + flowable.getSpaceBefore())


def _lines() -> TableStyle:
    return TableStyle(
        [
            ("GRID", (0, 0), (-1, -1), 0.4, GRID),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 4),
            ("RIGHTPADDING", (0, 0), (-1, -1), 4),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ]
    )


def _bullet(text: str, size: float = 8.5, *, bold: bool = False) -> Paragraph:
    style = ParagraphStyle("b", parent=_style(size, bold=bold), leftIndent=10, bulletIndent=0)
    return Paragraph(escape(text), style, bulletText="•")


def _card(
    fact: StepFacts,
    drawings: tuple[Sketch, Sketch, Sketch],
    units: UnitSystem,
    width: float,
    below: float,
) -> KeepTogether:
    """One framed card: head with tick box, lines left, drawings right, warnings below.

    ``drawings`` are the cut from the side, the site from above, and the step upon the site.
    """
    picture = 0.26 * width
    side = SketchFlowable(drawings[0], picture - 6, units)
    above = SketchFlowable(drawings[2], picture - 6, units, picture + 5, base=drawings[1])
    hinge: list[Flowable] = []
    if fact.hinge_azimuth_deg is not None:
        hinge = [HingeFlowable(fact.hinge_azimuth_deg, below, picture - 6)]
    marks = _marks(fact, units)
    lines: list[Flowable] = [_card_lines(fact, units, width), *([] if marks else hinge)]
    body: list[list[object]] = [[_card_head(fact, width), "", ""], [lines, side, above]]
    style = [
        ("BOX", (0, 0), (-1, -1), 1.2, colors.black),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
        ("SPAN", (0, 0), (-1, 0)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]
    if marks:
        body.append([marks, "", hinge])
        last = (1, 2) if hinge else (2, 2)
        style += [("SPAN", (0, 2), last), ("LINEABOVE", (0, 2), (-1, 2), 0.8, colors.black)]
    table = Table(body, [0.48 * width, 0.26 * width, 0.26 * width])
    table.setStyle(TableStyle(style))
    return KeepTogether([table])


def _marks(fact: StepFacts, units: UnitSystem) -> list[Flowable]:
    """Broken limits, then warnings, each under its own word."""
    marks: list[Flowable] = []
    for title, texts, bold in (
        ("LIMIT BROKEN: do not make this cut as it stands", fact.broken, True),
        ("WARNING", fact.warnings, False),
    ):
        if texts:
            marks.append(_say(title, 9.5, bold=True))
            marks += [_bullet(w.text(units), 9, bold=bold) for w in texts]
    return marks


def _card_head(fact: StepFacts, width: float) -> Table:
    name = _say(f"{fact.number}.  {fact.name}", 13, bold=True)
    way = _say(fact.method.upper(), 11, bold=True)
    head = Table([[_TickBox(), name, way]], [26, 0.55 * width - 26, 0.45 * width - 6.5])
    head.setStyle(
        TableStyle([("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("LEFTPADDING", (0, 0), (-1, -1), 4)])
    )
    return head


def _card_lines(fact: StepFacts, units: UnitSystem, width: float) -> Table:
    big = {"Weight", "Cut", "Tie"}
    text = [
        [_say(name, 8.5), _say(words.text(units), 9.5, bold=name in big)]
        for name, words in card_words(fact)
    ]
    lines = Table(text, [0.1 * width, 0.37 * width])
    tight = [(f"{side}PADDING", (0, 0), (-1, -1), 1) for side in ("TOP", "BOTTOM")]
    tight += [(f"{side}PADDING", (0, 0), (-1, -1), 2) for side in ("LEFT", "RIGHT")]
    lines.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *tight]))
    return lines


class _TickBox(Flowable):
    """An empty box to tick with a pencil."""

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on the page."""
        return 18, 18

    def draw(self) -> None:
        """Draw the box."""
        self.canv.setLineWidth(1.2)
        self.canv.rect(0, 0, 18, 18)


def _row_table(facts: tuple[StepFacts, ...], units: UnitSystem, width: float) -> Table:
    head = ["", "Step, piece", "Cut and tie", "Weight, loads", "Goes to, closest", "Warnings"]
    rows: list[list[object]] = [[_say(h, 8.5, bold=True) for h in head]]
    for f in facts:
        loads = [f.weight.text(units)]
        if f.line:
            loads += [
                f"line {f.line.text(units)}",
                f"anchor {f.anchor_load.text(units)}",
                governs_text(f),
            ]
        notes = [_say(f"LIMIT BROKEN: {w.text(units)}", 8, bold=True) for w in f.broken]
        notes += [_say(w.text(units), 8) for w in f.warnings]
        rows.append(
            [
                _TickBox(),
                [_say(f"{f.number}. {f.name}", 9.5, bold=True), _say(f.method, 9)],
                [
                    _say(x, 8.5)
                    for x in (
                        f.cut.text(units),
                        f.saw.text(units) + " of wood",
                        f.tie.text(units),
                        f.anchor.text(units),
                        f.hinge.text(units),
                    )
                    if x
                ],
                [_say(x, 8.5) for x in loads],
                [_say(x, 8.5) for x in (f.landing.text(units), f.closest.text(units)) if x],
                notes,
            ]
        )
    shares = (0.045, 0.135, 0.185, 0.135, 0.2, 0.3)
    table = Table(rows, [s * width for s in shares], repeatRows=1)
    table.setStyle(_lines())
    return table


def _last_pages(result: JobResult, units: UnitSystem, width: float) -> list[Flowable]:
    story: list[Flowable] = [PageBreak()]
    plan = result.plan
    places = shown_places(plan.anchors) if plan else ()
    ties = shown_places(plan.tie_ins, 3) if plan else ()
    tables: list[tuple[str, list[list[str]], tuple[float, ...], str]] = [
        (
            "Keep clear of",
            as_text(target_words(result), units),
            (0.3, 0.22, 0.16, 0.18, 0.14),
            "",
        ),
        (
            "Anchors, best first",
            as_text(anchor_words(result), units),
            (0.09, 0.1, 0.13, 0.19, 0.16, 0.33),
            left_out(plan.anchors, len(places)) if plan else "",
        ),
        (
            "Tie-in places",
            as_text(tie_in_words(result), units),
            (0.1, 0.12, 0.14, 0.64),
            left_out(plan.tie_ins, len(ties)) if plan else "",
        ),
        ("To haul", as_text(haul_words(result), units), (0.34, 0.1, 0.2, 0.36), ""),
        ("Truck loads", as_text(truck_words(result), units), (0.2, 0.1, 0.1, 0.18, 0.42), ""),
        ("Quote sheet", as_text(quote_words(result), units), (), ""),
    ]
    for title, rows, shares, foot in tables:
        if len(rows) < 2:
            continue
        columns = len(rows[0])
        if not shares:  # the last column explains: it gets the room
            shares = (*((0.6 / (columns - 1),) * (columns - 1)), 0.4)
        cells = [[_say(c, 8.5, bold=i == 0) for c in row] for i, row in enumerate(rows)]
        table = Table(cells, [s * width for s in shares], repeatRows=1)
        table.setStyle(_lines())
        story += [CondPageBreak(110), _say(title, 13, bold=True), table]
        story += [_say(foot, 8.5)] if foot else []
        story.append(Spacer(1, 10))
    for title, texts in (
        ("What the scan did not see", unseen_list(result)),
        ("Limits and assumptions in force", limits_list(result)),
        ("How the scan was read", reading_list(result)),
        ("Cautions", [wording.bilingual(c) for c in all_cautions(result)]),
    ):
        if texts:
            story += [CondPageBreak(80), _say(title, 13, bold=True)]
            story += [
                *(_bullet(t.text(units), 9) for t in texts),
                Spacer(1, 8),
            ]
    return story
