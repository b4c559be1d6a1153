"""``report.html``: the whole plan in one file that a phone opens without a network.

Everything to read is plain HTML and works without scripts; the 3-D view is added on top when
scripts and WebGL are there.  three.js is read out of the installed ``nicegui`` package when the
report is made; without that package the report has no 3-D view and says so.
"""

from __future__ import annotations

import base64
import gzip
import json
from html import escape
from importlib import resources
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from treescan.planning.types import JobResult
from treescan.report import colours, tables, wording
from treescan.report.cautions import SHORT, all_cautions
from treescan.report.drawings import cut_sketch, plan_sketch, site_sketch, step_overlay
from treescan.report.facts import StepFacts, step_facts
from treescan.report.meshes import tree_glb
from treescan.report.plan_json import plan_identity
from treescan.report.ribbons import Wood, wood_of
from treescan.report.schedule_chart import schedule_svg
from treescan.report.sketch_svg import sketch_group, sketch_svg
from treescan.report.wording import Words, fill
from treescan.units import UnitSystem

POINTS = 120_000
"""Points shown in the report: plenty on a phone, and about 1 MB."""
THREE_PATH = ("elements", "scene", "dist", "index.js")


def report_html(
    result: JobResult,
    units: UnitSystem = "metric",
    *,
    three_d: bool = True,
    glb: bytes | None = None,
    plan_id: str | None = None,
) -> str:
    """Return the report as one HTML document.

    ``units`` is what shows first; the reader can switch.  ``three_d`` False leaves the 3-D view
    out.  ``glb`` of :func:`treescan.report.meshes.tree_glb` and ``plan_id`` of
    :func:`treescan.report.plan_json.plan_identity` save making them again.
    """
    name = plan_identity(result) if plan_id is None else plan_id
    three = three_source() if three_d else None
    wood = wood_of(result)
    body = [
        _switch(units),
        _head(result, name),
        "<main>",
        _stop(result),
        _view(result, three),
        _plan_picture(result, wood),
        _table("Keep clear of", "targets", tables.target_words(result)),
        _cut_list(result, wood),
        _anchors(result),
        _weights(result),
        _haul(result),
        _schedule(result),
        _table("Other plans looked at", "others", tables.alternative_words(result)),
        _sentences("What the scan did not see", "unseen", tables.unseen_list(result)),
        _sentences("Limits and assumptions in force", "limits", tables.limits_list(result)),
        _sentences("How the scan was read", "reading", tables.reading_list(result)),
        _sentences("Cautions", "cautions", [wording.bilingual(c) for c in all_cautions(result)]),
        "</main>",
        _payload(result, name, three, glb),
    ]
    return _document(result, "\n".join(body))


def three_source() -> str | None:
    """Text of the three.js bundle inside nicegui, or None when it is not installed."""
    found = find_spec("nicegui")  # found without importing it, which takes seconds
    places = list(found.submodule_search_locations or ()) if found else []
    if not places:
        return None
    try:
        text = Path(places[0]).joinpath(*THREE_PATH).read_text(encoding="utf-8")
    except OSError:
        return None
    needed = ("as THREE", "OrbitControls", "as GLTFLoader")
    return text if all(name in text for name in needed) else None


def _document(result: JobResult, body: str) -> str:
    css, script = _asset("report.css"), _asset("report.js")
    what = "Removal plan" if result.plan else "Tree in numbers"
    title = escape(f"{what}: {result.site.job.name}")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f'<title>{title}</title><link rel="icon" href="data:,"><style>{css}</style></head>\n<body>'
        f'\n{body}\n<script type="module">{script}</script></body></html>\n'
    )


POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline' blob:; "
    "img-src data: blob:; connect-src blob: data:"
)


def _asset(name: str) -> str:
    return resources.files("treescan.report").joinpath("viewer", name).read_text(encoding="utf-8")


def say(words: Words | str) -> str:
    """HTML of words: both unit systems where they differ, everything escaped."""
    if isinstance(words, str):
        return escape(words)
    if words.metric == words.us:
        return escape(words.metric)
    return (
        f'<span class="um">{escape(words.metric)}</span><span class="us">{escape(words.us)}</span>'
    )


def _switch(units: UnitSystem) -> str:
    metric, us = ("", " checked") if units == "us" else (" checked", "")
    return (
        f'<input class="switch" type="radio" name="units" id="unit-m"{metric}>'
        f'<input class="switch" type="radio" name="units" id="unit-us"{us}>'
        '<input class="switch" type="checkbox" id="dusk">'
    )


def _head(result: JobResult, plan_id: str) -> str:
    plan = result.plan
    facts = "".join(
        f"<div><dt>{say(n)}</dt><dd>{say(w)}</dd></div>" for n, w in tables.summary_rows(result)
    )
    which = f"Plan {plan_id}" if plan else "Measurements"
    links = [
        ("view3d", "3-D"),
        ("site", "Site"),
        ("cuts", "Cuts"),
        ("anchors", "Anchors"),
        ("haul", "Haul"),
        ("cautions", "Cautions"),
    ]
    menu = "".join(
        f'<li><a href="#{k}">{n}</a></li>' for k, n in links if plan or k not in {"cuts", "anchors"}
    )
    stop = '<p class="stop">Not a working plan: limits are broken. Do not start; see below.</p>'
    return (
        f"<header><h1>{say(result.site.job.name)}</h1>"
        f"{stop if plan and not plan.feasible else ''}"
        f"<p>{say(result.species.common_name)} ({say(result.species.scientific_name)})</p>"
        f'<p class="small">{which} · {say(result.date or "no date given")} · scan '
        f"{say(result.scan_name)}</p>"
        '<div class="units"><label for="unit-m">m, kg, kN</label><label for="unit-us">ft, lb, '
        'lbf</label><label for="dusk">Dusk</label></div>'
        f'<p class="note">{say(SHORT)}</p>'
        f'<dl class="facts">{facts}</dl>'
        f'<nav class="screen" aria-label="Parts of this report"><ul>{menu}</ul></nav></header>'
    )


def _stop(result: JobResult) -> str:
    plan = result.plan
    if plan is None:
        return (
            '<p class="note">Measurements only: no cut plan was made, and nothing here says where '
            "it is safe to cut, rig or drop. A plan needs a site file with the targets, wires, "
            "drop zones and gear.</p>"
        )
    if plan.feasible:
        return f'<p>Plan "{say(plan.name)}". {say(wording.bilingual(plan.explanation))}</p>'
    return (
        '<p class="stop">No order of cuts keeps every limit. Do not start. '
        f"{say(wording.bilingual(plan.smallest_change))}</p>"
        "<p>The steps that break a limit are marked in the cut list. "
        f"{say(wording.bilingual(plan.explanation))}</p>"
    )


def _view(result: JobResult, three: str | None) -> str:
    note = "The 3-D view needs scripts and WebGL; this viewer has none. Everything else is below."
    if three is None:
        note = "This report was made without the 3-D view. Everything else is below."
    blank = f'<p id="no3d" class="small screen"{" hidden" if three else ""}>{note}</p>'
    if three is None:
        return blank
    looks = [("front", "South side"), ("side", "East side"), ("plan", "Above")]
    looks += [("climber", "At the cut")] if result.plan else []
    looks += [("ground", "Ground")]
    buttons = "".join(f'<button data-look="{k}">{n}</button>' for k, n in looks)
    return (
        blank
        + '<section id="view3d" class="screen" hidden><h2>The tree in 3-D</h2><div id="view"></div>'
        + (_walk(len(result.plan.steps)) if result.plan else "")
        + '<div class="bar">'
        + (_toggle("room", "Swept room", pressed=True) if result.plan else "")
        + _toggle("scan", "Scan points", pressed=False)
        + f'</div><div class="bar">{buttons}</div>{_legend(planned=result.plan is not None)}'
        "</section>"
    )


def _walk(count: int) -> str:
    """Slider, back and next, the step's card in short, and its way down."""
    return (
        f'<input id="slider" type="range" min="0" max="{count}" value="0" aria-label="Step">'
        '<div class="bar"><button id="back" class="wide">◀ Back</button><button id="next" '
        'class="wide">Next ▶</button></div><div id="now" aria-live="polite"></div>'
        '<div class="bar"><button id="play" class="wide">Play the way down</button></div>'
    )


def _toggle(key: str, name: str, *, pressed: bool) -> str:
    state = "true" if pressed else "false"
    return f'<button id="{key}" class="half" aria-pressed="{state}">{name}</button>'


def _legend(*, planned: bool) -> str:
    entries = [
        (colours.TARGET, "target"),
        (colours.CONDUCTOR, "wire"),
        (colours.DROP_ZONE, "drop zone"),
        (colours.LANDING, "landing"),
    ]
    if planned:
        entries = [
            (colours.load_colour(0.15), "low load"),
            (colours.load_colour(0.6), "60 % of limit"),
            (colours.load_colour(1.0), "at the limit"),
            (colours.OVER_LIMIT, "over the limit: do not"),
            (colours.NO_LOAD, "no line load"),
            ("#ff9d00", "this step"),
            (colours.FALLS, "room swept falling"),
            (colours.ON_LINE, "room swept on the line"),
            (colours.ANCHOR, "anchor, line"),
            (colours.TIE_IN, "tie-in"),
            (colours.TIE, "tie"),
            *entries,
        ]
    return (
        '<ul class="legend">'
        + "".join(f'<li><i style="background:{c}"></i>{n}</li>' for c, n in entries)
        + "</ul>"
    )


def _plan_picture(result: JobResult, wood: Wood) -> str:
    return (
        '<section id="site"><h2>The site from above</h2><figure>'
        + sketch_svg(plan_sketch(result, wood, width_pt=240))
        + "<figcaption>North is up. Slanted lines: drop zones and landings. Dotted: the crown. "
        "Long dashes: the "
        "room wanted round targets. "
        "Grey: what falling pieces sweep; blue, dashed: what pieces on the line sweep. "
        "Numbers by the dots: where each step's piece comes down.</figcaption></figure></section>"
    )


def _cut_list(result: JobResult, wood: Wood) -> str:
    plan = result.plan
    if plan is None:
        return ""
    base = site_sketch(result, wood)
    cards = [sketch_group(base, "site-base")]
    for step, fact in zip(plan.steps, step_facts(result), strict=True):
        side = sketch_svg(cut_sketch(result, step, wood))
        above = sketch_svg(step_overlay(wood, step, base), upon="site-base")
        cards.append(_card(fact, (side, above)))
    return '<section id="cuts"><h2>Cut list</h2>' + "".join(cards) + "</section>"


def _card(fact: StepFacts, drawings: tuple[str, str]) -> str:
    big = {"Weight", "Cut", "Tie"}
    rows = "".join(
        f"<dt>{say(name)}</dt><dd{' class=big' if name in big else ''}>{say(words)}</dd>"
        for name, words in tables.card_words(fact)
    )
    marks = "".join(f'<p class="broken">Limit broken: {say(w)}</p>' for w in fact.broken)
    marks += "".join(f'<p class="warn">Warning: {say(w)}</p>' for w in fact.warnings)
    why = "".join(f"<li>{say(w)}</li>" for w in fact.reasons)
    reasons = f"<details><summary>Why this way</summary><ul>{why}</ul></details>" if why else ""
    brief = _brief(fact)
    pictures = "".join(f"<figure>{svg}</figure>" for svg in drawings)
    return (
        f'<article class="card" id="step-{fact.number}" data-step="{fact.number}"><header>'
        f'<label class="tick"><input type="checkbox" data-step="{fact.number}" aria-label="Step '
        f'{fact.number} done"></label>'
        f'<h3>{fact.number}. {say(fact.name)}</h3><span class="way">{say(fact.method)}</span>'
        f"</header>"
        f"{brief}<dl>{rows}</dl>{_share_bar(fact)}{marks}"
        f"<details><summary>Pictures of this cut</summary><div class=pictures>{pictures}</div>"
        f"</details>{reasons}"
        f'<button class="screen" data-go="{fact.number}">Show in 3-D</button></article>'
    )


def _brief(fact: StepFacts) -> str:
    """The lines that show under the 3-D view."""
    lines = [
        ("Cut", fact.cut),
        ("Weight", fill("{}; plan on {}", fact.weight, fact.plan_on)),
        ("Tie", fact.tie),
        ("Anchor", fact.anchor),
        ("Goes to", fact.landing),
        ("Closest", fact.closest),
    ]
    inner = "".join(f"<p>{name}: <b>{say(words)}</b></p>" for name, words in lines if words)
    marks = [fill("Limit broken: {}", w) for w in fact.broken]
    marks += [fill("Warning: {}", w) for w in fact.warnings]
    inner += "".join(f'<p class="warn">{say(w)}</p>' for w in marks)
    return f'<div class="brief" hidden>{inner}</div>'


def _share_bar(fact: StepFacts) -> str:
    if fact.share is None:
        return ""
    wide = min(fact.share, 1.0) * 100
    text = f"{wording.percent(fact.share)} of the limit: {fact.governs}"
    style = f"width:{wide:.0f}%;background:{colours.load_colour(fact.share)}"
    return (
        f'<div class="share" role="img" aria-label="{escape(text)}"><i style="{style}"></i></div>'
    )


def _anchors(result: JobResult) -> str:
    if result.plan is None:
        return ""
    parts = []
    for title, key, ranked, rows in (
        ("Anchors, best first", "anchors", result.plan.anchors, tables.anchor_words(result)),
        ("Tie-in places", "tie-in", result.plan.tie_ins, tables.tie_in_words(result)),
    ):
        more = tables.left_out(ranked, len(rows) - 1)
        parts.append(_table(title, key, rows, f'<p class="small">{say(more)}</p>' if more else ""))
    return "".join(parts)


def _table(title: str, key: str, rows: list[list[Words]], foot: str = "") -> str:
    if len(rows) < 2:
        return ""
    return f'<section id="{key}"><h2>{say(title)}</h2>{html_table(rows)}{foot}</section>'


def html_table(rows: list[list[Words]], kind: str = "stack") -> str:
    """A table; of the kind "stack" its rows become blocks on a narrow screen."""
    head = "".join(f"<th>{say(c)}</th>" for c in rows[0])
    body = "".join(f"<tr>{_cells(rows[0], row)}</tr>" for row in rows[1:])
    return f'<table class="{kind}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _cells(head: list[Words], row: list[Words]) -> str:
    pairs = zip(head, row, strict=True)
    return "".join(f'<td data-h="{escape(h.metric)}">{say(cell)}</td>' for h, cell in pairs)


def _weights(result: JobResult) -> str:
    rows = [[wording.plain(h) for h in ("Piece", "Length, butt", "Weight")]]
    for fact in step_facts(result):
        name = wording.plain(f"{fact.number}. {fact.name}")
        rows.append([name, fact.girth, fact.weight])
    species = result.species
    notes = [wording.bilingual(n) for n in dict.fromkeys((*result.mass.notes, *species.notes))]
    sources = [f"Numbers of the species: {species.sources} (confidence {species.confidence})."]
    if species.citations:
        sources.append(f"Published in: {species.citations}")
    whole = result.mass.band(np.arange(len(result.graph)))
    inner = (
        f"<p>Whole tree, green: <strong>{say(wording.mass_range(whole))}</strong>. "
        "Ranges hold 9 of 10 cases; plan on the high end.</p>"
    )
    inner += html_table(rows, "tight") if len(rows) > 1 else ""
    inner += "".join(
        f'<p class="small">{say(n)}</p>' for n in [*notes, *map(wording.plain, sources)]
    )
    return f'<section id="weights"><h2>Weights</h2>{inner}</section>'


def _haul(result: JobResult) -> str:
    inner = (
        html_table(tables.haul_words(result))
        if result.haul.rows
        else "<p>Nothing to haul was worked out.</p>"
    )
    if result.haul.trucks:
        inner += "<h3>Truck loads</h3>" + html_table(tables.truck_words(result))
    if result.haul.quote:
        inner += "<h3>Quote sheet</h3>" + html_table(tables.quote_words(result))
    inner += "".join(f'<p class="small">{say(wording.bilingual(n))}</p>' for n in result.haul.notes)
    return f'<section id="haul"><h2>Haul and quote</h2>{inner}</section>'


def _schedule(result: JobResult) -> str:
    if result.plan is None or not result.plan.schedule:
        return ""
    return (
        '<section id="schedule"><h2>Time on the job</h2>'
        f"<p>{say(wording.hours_range(result.plan.hours))} in all. Times are common practice, not "
        f"measured; set your own in the site file.</p>"
        f"<figure>{schedule_svg(result)}</figure></section>"
    )


def _sentences(title: str, key: str, texts: list[Words]) -> str:
    if not texts:
        return ""
    seen = dict.fromkeys(say(t) for t in texts)
    items = "".join(f"<li>{t}</li>" for t in seen)
    return f'<section id="{key}"><h2>{say(title)}</h2><ul>{items}</ul></section>'


def _payload(result: JobResult, plan_id: str, three: str | None, glb: bytes | None) -> str:
    """Data for the script: job numbers, and when there is a 3-D view the mesh and the points."""
    base = result.graph.position_m[0]
    data: dict[str, object] = {
        "plan_id": plan_id,
        "height_m": round(result.measures.height_m, 2),
        "spread_m": round(max(result.measures.crown_spread_m, 4.0), 2),
        "base_yup": [round(float(v), 3) for v in (base[0], base[2], -base[1])],
    }
    blocks = []
    if three is not None:
        points, corner, extent, rgb = _points(result)
        data |= {"corner_m": corner, "extent_m": extent}
        blocks = [
            ("three", three.encode()),
            ("glb", glb or tree_glb(result)),
            ("points", points),
        ]
        blocks += [("colours", rgb)] if rgb is not None else []
    text = json.dumps(data).replace("<", "\\u003c")
    out = [f'<script type="application/json" id="job-data">{text}</script>']
    for key, value in blocks:
        packed = base64.b64encode(gzip.compress(value, mtime=0)).decode()
        out.append(f'<script type="text/plain" id="{key}">{packed}</script>')
    return "\n".join(out)


def _points(result: JobResult) -> tuple[bytes, list[float], list[float], bytes | None]:
    """Scan points as 16-bit shares of their box, with corner and extent in metres."""
    xyz, rgb = _near_tree(result)
    every = max(-(-len(xyz) // POINTS), 1)
    xyz = xyz[::every]
    corner = xyz.min(0)
    extent = np.maximum(xyz.max(0) - corner, 1e-3)
    share = np.round((xyz - corner) / extent * 65535).astype("<u2")
    colour = None if rgb is None else rgb[::every].astype(np.uint8).tobytes()
    return share.tobytes(), corner.round(4).tolist(), extent.round(4).tolist(), colour


def _near_tree(result: JobResult) -> tuple[np.ndarray, np.ndarray | None]:
    """Points of the scan within the crown's reach and 10 m more, with their colours."""
    xyz, rgb = np.asarray(result.display_xyz, dtype=np.float64), result.display_rgb
    base = result.graph.position_m[0, :2]
    reach = float(np.linalg.norm(result.graph.position_m[:, :2] - base, axis=1).max()) + 10.0
    near = np.linalg.norm(xyz[:, :2] - base, axis=1) < reach
    if not near.any():
        return result.graph.position_m[:1], None
    return xyz[near], None if rgb is None else rgb[near]
