"""A small picture of one effect: a thick bar for the answer, a thin one for what this log alone says."""

from __future__ import annotations

import math

from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.terms import NARROW, signed

WIDTH, HEIGHT, LEFT, RIGHT = 340, 58, 34, 306
# Log ratios at the ends of the axis: a quarter and four times, as far from zero as each other.
REACH = math.log(4.0)
TICKS_PERCENT = (-75, -50, 0, 100, 300)


def _x(log_ratio: float) -> float:
    inside = min(max(log_ratio, -REACH), REACH)
    return LEFT + (inside + REACH) / (2 * REACH) * (RIGHT - LEFT)


def effect_bar(outcome: Outcome) -> str:
    """SVG of an outcome; empty where it has no range. Halved and doubled lie equally far from zero.

    A bar that reaches the edge goes on beyond it.
    """
    if not outcome.known or outcome.log_ratio is None or outcome.log_low is None or outcome.log_high is None:
        return ""
    lines = [f'<line class="axis" x1="{LEFT}" x2="{RIGHT}" y1="34" y2="34"/>']
    for percent in TICKS_PERCENT:
        x = _x(math.log1p(percent / 100))
        zero = ' class="zero"' if percent == 0 else ' class="axis"'
        lines.append(f'<line{zero} x1="{x:.1f}" x2="{x:.1f}" y1="{0 if percent == 0 else 30}" y2="38"/>')
        lines.append(f'<text x="{x:.1f}" y="55">{signed(percent)}{NARROW}%</text>')
    tone = outcome.tone
    if outcome.alone is not None:
        _, low, high = outcome.alone
        lines.append(f'<line class="alone {tone}" x1="{_x(low):.1f}" x2="{_x(high):.1f}" y1="15" y2="15"/>')
    low_x, high_x = _x(outcome.log_low), _x(outcome.log_high)
    lines.append(f'<line class="shared {tone}" x1="{low_x:.1f}" x2="{high_x:.1f}" y1="15" y2="15"/>')
    lines.append(f'<circle cx="{_x(outcome.log_ratio):.1f}" cy="15" r="8" class="{tone}"/>')
    about = f"{outcome.words}: range of the answer thick, of this log alone thin"
    size = f'viewBox="0 0 {WIDTH} {HEIGHT}"'
    return f'<svg class="bar" {size} role="img" aria-label="{about}">{"".join(lines)}</svg>'
