"""The crew's day as a bar chart, plain SVG, readable in grey."""

from __future__ import annotations

from html import escape

from treescan.planning.types import JobResult

_FILLS = ("#5A5A5A", "#FFFFFF", "url(#lines)", "#C9C9C9")


def schedule_rows(result: JobResult) -> list[tuple[str, int, float, float]]:
    """Rows of the schedule as (who, step, start, end) in minutes, those with a length."""
    rows = []
    for row in result.plan.schedule if result.plan else ():
        start, end = row.get("start_min"), row.get("end_min")
        if isinstance(start, int | float) and isinstance(end, int | float) and end > start:
            step = row.get("step")
            rows.append(
                (
                    str(row.get("resource", "")),
                    int(step) if isinstance(step, int | float) else 0,
                    float(start),
                    float(end),
                )
            )
    return rows


def schedule_svg(result: JobResult) -> str:
    """Return the schedule as an ``<svg>`` element, one lane for each resource."""
    rows = schedule_rows(result)
    who = list(dict.fromkeys(r[0] for r in rows))
    end = max((r[3] for r in rows), default=60.0)
    wide, lane, left = 760.0, 56.0, 4.0
    scale = (wide - left - 6) / end
    high = lane * len(who) + 44
    parts = [
        '<defs><pattern id="lines" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)">'
        '<rect width="6" height="6" fill="#fff"/><line x1="0" y1="0" x2="0" y2="6" stroke="#000" '
        'stroke-width="2"/></pattern></defs>'
    ]
    for place, name in enumerate(who):
        y = place * lane
        parts.append(
            f'<text x="{left}" y="{y + 18}" font-size="18" font-weight="bold">{escape(name)}</text>'
        )
        for resource, step, start, stop in rows:
            if resource != name:
                continue
            x, w = left + start * scale, max((stop - start) * scale, 1.5)
            fill = _FILLS[place % len(_FILLS)]
            parts.append(
                f'<rect x="{x:.1f}" y="{y + 24:.0f}" width="{w:.1f}" height="24" fill="{fill}" '
                f'stroke="#000">'
                f"<title>step {step}: minute {start:.0f} to {stop:.0f}</title></rect>"
            )
    y = lane * len(who) + 14
    gap = next(g for g in (10, 15, 30, 60, 120, 240, 600) if end / g <= 8 or g == 600)
    for minute in range(0, int(end) + 1, gap):
        x = left + minute * scale
        parts.append(
            f'<line x1="{x:.1f}" y1="0" x2="{x:.1f}" y2="{y - 8:.0f}" stroke="#999" '
            f'stroke-width="0.7"/>'
        )
        text = f"{minute} min" if minute < 60 else f"{minute // 60}:{minute % 60:02d} h"
        anchor = "start" if minute == 0 else "middle"
        parts.append(
            f'<text x="{x:.1f}" y="{y + 12:.0f}" font-size="17" text-anchor="{anchor}">'
            f"{text}</text>"
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {high:.0f}" role="img" '
        f'aria-label="Schedule of the crew at the likely pace">{"".join(parts)}</svg>'
    )
