"""Figure: how a loss responds to a setting, inside the values tried, against the value in use."""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.dashboards.figures.parts import Drawn, ShownTable, draw, number, rows_of
from chaffinch.dashboards.figures.stacked import only_marks, range_and_line, ratio_ticks, single
from chaffinch.dashboards.figures.theme import Figure, light
from chaffinch.dashboards.words.confidence import percent_of
from chaffinch.dashboards.words.terms import NARROW, OUTCOME_WORDS, setting_label, signed
from chaffinch.pipelines.estimate.responses.best_value import BestValue, best_values

HEIGHT_PX = 300
# Ticks in %, for a wide and a narrow range of the curve.
TICKS, FINE_TICKS = (-75, -50, 0, 100, 300), (-40, -30, -20, -10, 0, 10, 25, 50, 75)


def drawn_responses(responses: pl.DataFrame, prefix: str) -> list[tuple[str, str, Drawn]]:
    """(setting, sentence, figure) of each setting of one machine and crop, largest expected gain first.

    responses : rows of ``responses``. prefix : of the figures' ids.
    """
    found: list[tuple[str, str, Drawn]] = []
    for best in sorted(best_values(responses), key=lambda one: (-one.regret, one.setting)):
        rows = responses.filter(setting=best.setting, outcome=best.outcome).sort("value")
        if rows.height < 2:
            continue
        sentence = best_in_words(best)
        label = setting_label(best.setting)
        table = ShownTable(
            f"{label}: {OUTCOME_WORDS[best.outcome]} against {best.value_in_use:g} {best.unit or ''}".rstrip(),
            ("Value", "Change, %", "95 % range, %", "Chance of being best, %"),
            rows_of([_cells(row) for row in rows.iter_rows(named=True)]),
        )
        figure = _figure(rows, best)
        part = draw(figure, f"{prefix}-{len(found) + 1}", sentence, table)
        found += [(label, sentence, part)] if part else []
    return found


def best_in_words(best: BestValue) -> str:
    """The best of the values tried, with its range, and whether better may lie beyond."""
    unit = f"{NARROW}{best.unit}" if best.unit else ""
    what = OUTCOME_WORDS[best.outcome]
    span = (
        ""
        if best.value_low == best.value_high
        else f" (95{NARROW}% range {best.value_low:g} to {best.value_high:g}{unit})"
    )
    text = f"Least {what} of the values tried is expected at {best.value:g}{unit}{span}"
    if best.value == best.value_in_use:
        text += ", the value in use."
    else:
        size = signed(100 * float(np.expm1(best.log_ratio)))
        ends = [signed(100 * float(np.expm1(end))) for end in (best.log_ratio_low, best.log_ratio_high)]
        text += f": {size}{NARROW}% ({ends[0]} to {ends[1]}) against {best.value_in_use:g}{unit}, in use."
    if best.value != best.value_in_use and best.regret > 0.005:
        more = f"{100 * float(np.expm1(best.regret)):.0f}{NARROW}%"
        text += f" The value in use is expected to lose {more} more than the best of them."
    if best.beyond:
        text += f" {best.beyond.capitalize()} than tried may be better still; only a trial can show it."
    return text


def _cells(row: dict) -> list[str]:
    middle, low, high = (100 * float(np.expm1(row[f"log_ratio{end}"])) for end in ("", "_low", "_high"))
    return [
        f"{row['value']:g}",
        number(middle, 1),
        f"{number(low, 1)} to {number(high, 1)}",
        percent_of(row["chance_best"]),
    ]


def _figure(rows: pl.DataFrame, best: BestValue) -> Figure:
    x = rows["value"].to_list()
    low, high = rows["log_ratio_low"].to_list(), rows["log_ratio_high"].to_list()
    middle = rows["log_ratio"].to_list()
    tried = rows.filter(pl.col("tried") == 1)
    span = {"array": [best.value_high - best.value], "arrayminus": [best.value - best.value_low]}
    data = [
        *range_and_line(x, middle, (low, high), "expected", "curve"),
        only_marks(tried["value"], tried["log_ratio"], "tried", size=11),
        only_marks([best.value_in_use], [0.0], "in use", "square", 13),
        {
            "x": [best.value],
            "y": [best.log_ratio],
            "mode": "markers",
            "marker": {"symbol": "star", "size": 15, "color": light("better")},
            "error_x": {"type": "data", "symmetric": False, **span, "color": light("better"), "thickness": 2},
            "name": "best of those tried",
            "meta": "best",
        },
    ]
    ends = [min(*low, -0.05), max(*high, 0.05)]
    ticks = TICKS if ends[1] - ends[0] > 1.2 else FINE_TICKS
    y_axis = {"range": [ends[0] * 1.05, ends[1] * 1.05], **ratio_ticks(ticks, " %"), "zeroline": True}
    return single(data, {"title": best.unit}, y_axis, HEIGHT_PX)
