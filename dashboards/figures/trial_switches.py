"""Each switch of a trial with its range, and all of them together: a drawing that needs no script."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np
import polars as pl
from chaffinch.dashboards.words.terms import name_in_figure, signed
from chaffinch.pipelines.trials.answers.comparisons import Comparison
from chaffinch.pipelines.trials.done.matching import as_planned

WIDTH, ROW, LEFT, RIGHT, TOP, BOTTOM = 440, 24, 92, 16, 8, 46
# Log ratios beyond this are drawn at the edge.
WIDEST = 2.0
TICKS = (-75, -50, -25, 0, 33, 100, 300)


def switches_drawing(effects: pl.DataFrame, main: Comparison, planned: Sequence[str]) -> str:
    """Change of the loss from one value to the other as each switch shows it, in order of time, then the answer.

    effects : rows of the trial. planned : values of its setting.
    """
    rows = effects.filter(
        pl.col("scope") == "adjustment",
        pl.col("setting") == main.setting,
        pl.col("outcome") == main.outcome,
        pl.col("alone_log_ratio").is_not_null(),
    ).sort("time")
    drawn = [
        (f"{before} → {after}", *_turned(row, after == main.to_value))
        for row in rows.iter_rows(named=True)
        for before, after in [[as_planned(row[end], planned) for end in ("from_value", "to_value")]]
        if {before, after} == {main.from_value, main.to_value}
    ]
    half = main.anytime
    drawn.append(("Together", main.log_ratio, main.log_ratio - half, main.log_ratio + half))
    most = min(WIDEST, max(0.4, *(abs(end) for _, *ends in drawn for end in ends)) * 1.05)
    height = TOP + ROW * len(drawn) + BOTTOM

    def x(log_ratio: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (np.clip(log_ratio, -most, most) + most) / (2 * most)

    label = f"Change of the loss at {main.to_value} against {main.from_value}, by switch"
    parts = [f'<svg class="switches" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(label)}">']
    for percent in TICKS:
        at = np.log1p(percent / 100)
        if abs(at) <= most:
            zero = ' class="zero"' if percent == 0 else ' class="grid"'
            parts.append(f'<path{zero} d="M{x(at):.1f} {TOP}V{height - BOTTOM}"/>')
            parts.append(
                f'<text x="{x(at):.1f}" y="{height - BOTTOM + 17}" text-anchor="middle">{signed(percent)}</text>'
            )
    for k, (name, middle, low, high) in enumerate(drawn):
        y = TOP + ROW * (k + 0.5)
        last = " whole" if k == len(drawn) - 1 else ""
        parts.append(f'<text class="{last.strip()}" x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">')
        parts.append(f"{name_in_figure(name, 14)}</text>")
        parts.append(f'<path class="bar{last}" d="M{x(low):.1f} {y:.1f}H{x(high):.1f}"/>')
        parts.append(f'<circle class="dot{last}" cx="{x(middle):.1f}" cy="{y:.1f}" r="{5 if last else 4}"/>')
    middle_x = (LEFT + WIDTH - RIGHT) / 2
    parts.append(
        f'<text x="{middle_x}" y="{height - 8}" text-anchor="middle">change of the loss, %</text></svg>'
    )
    return "".join(parts)


def _turned(row: dict[str, Any], same_way: bool) -> tuple[float, float, float]:
    ends = [float(row[f"alone_log_ratio{end}"]) for end in ("", "_low", "_high")]
    return (ends[0], ends[1], ends[2]) if same_way else (-ends[0], -ends[2], -ends[1])
