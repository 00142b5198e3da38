"""Figures of the season report: effects with their ranges as SVG, which needs no script and prints sharply."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from chaffinch.dashboards.figures.effect_chart import reach_of, ticks_within
from chaffinch.dashboards.figures.theme import MARK_PATH
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.terms import name_in_figure, percent_range, signed

Titled = tuple[str, str, Sequence[Outcome]]

WIDTH, LEFT, RIGHT = 720, 150, 186
ROW, TITLE, AXIS, GAP = 21, 24, 40, 8
# About a page of print; a taller picture would be cut by the page's end.
MOST_ROWS = 30


def effect_pictures(groups: Sequence[Titled], subject: str) -> list[str]:
    """Pictures (SVG) of ranges on an axis even in ratios, a page of print each.

    groups : (name, remark, outcomes). All pictures share one axis. The text is escaped here.
    """
    shown = [(name, remark, list(outcomes)) for name, remark, outcomes in groups if outcomes]
    known = [o for _, _, outcomes in shown for o in outcomes if o.known]
    reach = reach_of(end for o in known for end in (o.log_low, o.log_high) if end is not None)
    sheets: list[list[Titled]] = [[]]
    rows = 0
    for group in shown:
        need = len(group[2]) + 1
        if rows and rows + need > MOST_ROWS:
            sheets.append([])
            rows = 0
        sheets[-1].append(group)
        rows += need
    return [
        _picture(sheet, reach, subject + (f", part {i} of {len(sheets)}" if len(sheets) > 1 else ""))
        for i, sheet in enumerate(sheets, 1)
        if sheet
    ]


def _picture(groups: Sequence[Titled], reach: float, subject: str) -> str:
    parts, y = [], 4.0
    for name, remark, outcomes in groups:
        parts.append(
            f'<text class="name" x="0" y="{y + 16:g}">{name_in_figure(name, 62)}'
            f'<tspan class="remark" dx="10">{escape(remark)}</tspan></text>'
        )
        y += TITLE
        zero = _x(0.0, reach)
        bottom = y + ROW * len(outcomes)
        parts.append(f'<line class="zero" x1="{zero:.1f}" x2="{zero:.1f}" y1="{y:g}" y2="{bottom:g}"/>')
        for outcome in outcomes:
            parts.append(_row(outcome, y, reach))
            y += ROW
        y += GAP
    axis = []
    for tick in ticks_within(reach):
        x = _x(math.log1p(tick / 100), reach)
        axis.append(f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="{y:g}" y2="{y + 5:g}"/>')
        axis.append(f'<text class="scale" x="{x:.1f}" y="{y + 19:g}">{signed(tick)}</text>')
    axis.append(f'<line class="tick" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:g}" y2="{y:g}"/>')
    axis.append(f'<text class="scale" x="{(LEFT + WIDTH - RIGHT) / 2:g}" y="{y + 34:g}">change, %</text>')
    title = escape(f"{subject}: {_described(groups)}", quote=True)
    return (
        f'<svg class="forest" viewBox="0 0 {WIDTH} {y + AXIS:g}" role="img" aria-label="{title}">'
        + "".join(axis)
        + "".join(parts)
        + "</svg>"
    )


def _described(groups: Sequence[Titled]) -> str:
    """The picture in words, for those who do not see it: the clear effects."""
    clear = [
        f"{' '.join(name.split())}, {o.words} {signed(o.percent)} % ({percent_range(o.low, o.high)})"  # type: ignore[arg-type]
        for name, _, outcomes in groups
        for o in outcomes
        if o.verdict in ("less", "more") and o.known
    ]
    drawn = sum(len(outcomes) for _, _, outcomes in groups)
    listed = "; ".join(clear) if clear else "none"
    return f"{drawn} effects with their ranges. Clear: {listed}. All numbers are in the table below."


def _row(outcome: Outcome, y: float, reach: float) -> str:
    middle = y + ROW / 2
    words = outcome.words[:1].upper() + outcome.words[1:]
    label = f'<text class="what" x="8" y="{middle + 4:g}">{escape(words)}</text>'
    side = WIDTH - RIGHT + 8
    path = f'<path d="{MARK_PATH[outcome.verdict]}"/>'
    box = f'y="{middle - 6:g}" width="12" height="12" viewBox="0 0 16 16"'
    word = f'<g class="{outcome.tone}"><svg x="{side}" {box}>{path}</svg>'
    if not outcome.has_range:
        line = f'<line class="open" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{middle:g}" y2="{middle:g}"/>'
        return f'{line}{label}{word}<text x="{side + 17}" y="{middle + 4:g}">cannot tell</text></g>'
    assert outcome.log_ratio is not None and outcome.log_low is not None and outcome.log_high is not None
    assert outcome.percent is not None and outcome.low is not None and outcome.high is not None
    low, high = max(outcome.log_low, -reach), min(outcome.log_high, reach)
    x1, x2, x = _x(low, reach), _x(high, reach), _x(max(-reach, min(reach, outcome.log_ratio)), reach)
    bar = f'<line class="bar" x1="{x1:.1f}" x2="{x2:.1f}" y1="{middle:g}" y2="{middle:g}"/>'
    for end, beyond in ((x1, outcome.log_low < -reach), (x2, outcome.log_high > reach)):
        half = 0 if beyond else 4
        bar += (
            f'<line class="end" x1="{end:.1f}" x2="{end:.1f}" y1="{middle - half:g}" y2="{middle + half:g}"/>'
        )
    halo = path.replace("<path", '<path class="halo"')
    mark = f'<svg x="{x - 6:.1f}" {box}>{halo}{path}</svg>'
    lead = f"{signed(outcome.percent)} %" if outcome.known else "cannot tell"
    number = f'<tspan class="size">{lead}</tspan> '
    number += f'<tspan class="ends">({signed(outcome.low)} to {signed(outcome.high)})</tspan>'
    return f'{label}{word}{bar}{mark}<text x="{side + 17}" y="{middle + 4:g}">{number}</text></g>'


def _x(log_ratio: float, reach: float) -> float:
    return LEFT + (log_ratio + reach) / (2 * reach) * (WIDTH - LEFT - RIGHT)
