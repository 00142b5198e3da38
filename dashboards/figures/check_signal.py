"""Figures: weighed loss against the loss signal at each check, and what a unit of signal weighed at each."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from chaffinch.dashboards.figures.parts import Drawn, ShownTable, draw, rows_of
from chaffinch.dashboards.figures.stacked import Look, only_marks, range_and_line, single
from chaffinch.dashboards.figures.theme import Figure, light
from chaffinch.dashboards.words.terms import clock, day, field_label, name_in_figure, significant, zone

HEIGHT_PX = 340


def checks_against_signal(
    checks: pl.DataFrame,
    weight: dict[str, Any],
    scale: tuple[float, str],
    zone_name: str | None,
    identity: str,
) -> Drawn | None:
    """Each check at its signal, on log scales, with the line of a proportional signal and its 95 % range.

    checks : rows of ``WEIGHED_CHECKS`` of one machine and crop. weight : its row of ``SIGNAL_WEIGHTS``; where it
    knows the slope, the bent line through the checks is drawn too. scale : from kg/s to the unit of loss, its name.
    """
    if checks.is_empty():
        return None
    factor, unit = scale
    signal, lost = checks["signal"].to_numpy(), checks["lost_kg_s"].to_numpy() * factor
    along = np.geomspace(signal.min() / 1.4, signal.max() * 1.4, 25)
    data = _line_with_range(along, weight, factor)
    if weight["slope"] is not None:
        middle = np.log(lost).mean() - weight["slope"] * np.log(signal).mean()
        data.append(
            {
                "x": _shown(along),
                "y": _shown(np.exp(middle + weight["slope"] * np.log(along))),
                "mode": "lines",
                "line": {"color": light("worse"), "width": 2.5, "dash": "dash"},
                "name": "as the checks lie",
                "meta": "bent",
            }
        )
    data.append(
        only_marks(
            _shown(signal),
            _shown(lost),
            "loss check",
            text=[name_in_figure(field_label(name), 30) for name in checks["field"]],
            hovertemplate=f"%{{text}}<br>signal %{{x:.3g}}, weighed %{{y:.3g}} {unit}<extra></extra>",
            hoverinfo=None,
        )
    )
    table = ShownTable(
        "Loss checks and the signal at their moment",
        ("When", "Field", "Signal", f"Weighed loss, {unit}", f"Loss for one unit of signal, {unit}"),
        rows_of(
            [
                [
                    f"{day(row['time'], zone_name)} {clock(row['time'], zone_name)}",
                    field_label(row["field"]),
                    significant(row["signal"], 3),
                    significant(row["lost_kg_s"] * factor, 3),
                    _three_digits(row["lost_kg_s"] * factor / row["signal"]),
                ]
                for row in checks.iter_rows(named=True)
            ]
        ),
    )
    figure = _log_figure(data, "both loss signals at the check", f"weighed loss, {unit}")
    return draw(figure, identity, "Weighed loss against the loss signal at each loss check", table)


def gain_from_check_to_check(
    checks: pl.DataFrame, scale: tuple[float, str], zone_name: str | None, identity: str
) -> Drawn | None:
    """What one unit of signal weighed at each check, with the course that is used and its 95 % range; None below two.

    checks : as above.
    """
    if checks.height < 2:
        return None
    factor, unit = scale
    when = [moment.astimezone(zone(zone_name)).strftime("%Y-%m-%d %H:%M") for moment in checks["time"]]
    ends = {name: (checks[name] * factor).to_numpy() for name in ("gain", "gain_low", "gain_high")}
    own = (checks["lost_kg_s"] / checks["signal"] * factor).to_numpy()
    data: list[Look] = [
        *range_and_line(
            when,
            _shown(ends["gain"]),
            (_shown(ends["gain_low"]), _shown(ends["gain_high"])),
            "as used",
            "course",
        ),
        only_marks(
            when, _shown(own), "loss check", hovertemplate="%{x}: %{y:.3g}<extra></extra>", hoverinfo=None
        ),
    ]
    table = ShownTable(
        "What one unit of signal weighed",
        ("When", f"This check, {unit}", f"As used, {unit}", f"95 % range, {unit}"),
        rows_of(
            [
                [
                    f"{day(at, zone_name)} {clock(at, zone_name)}",
                    *map(_three_digits, (a, b)),
                    f"{_three_digits(low)} to {_three_digits(high)}",
                ]
                for at, a, b, low, high in zip(
                    checks["time"], own, ends["gain"], ends["gain_low"], ends["gain_high"], strict=True
                )
            ]
        ),
    )
    figure = _log_figure(data, None, f"{unit} for one unit", across="date")
    return draw(figure, identity, "Loss for one unit of signal at each loss check, over the season", table)


def _line_with_range(along: np.ndarray, weight: dict[str, Any], factor: float) -> list[Look]:
    middle, low, high = (_shown(along * weight[f"gain{end}"] * factor) for end in ("", "_low", "_high"))
    return range_and_line(_shown(along), middle, (low, high), "proportional", "line")


def _three_digits(value: float) -> str:
    """``4.60``, ``141``."""
    return f"{value:#.3g}".rstrip(".")


def _shown(values: np.ndarray) -> list[float]:
    return [float(f"{value:.5g}") for value in values]


def _log_figure(data: list[Look], x_title: str | None, y_title: str, across: str = "log") -> Figure:
    x_axis = _round_ticks(data, "x") if across == "log" else {"type": across, "nticks": 4}
    y_axis = _round_ticks(data, "y") | {"title": y_title}
    return single(data, x_axis | {"title": x_title}, y_axis, HEIGHT_PX)


def _round_ticks(data: list[Look], axis: str) -> Look:
    """A log axis with ticks at 1, 2 and 5 times powers of ten, at more where few of them fit."""
    values = np.concatenate([np.array(trace[axis], dtype=float) for trace in data])
    low, high = values.min(), values.max()
    powers = np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    for each in ((1, 2, 5), (1, 1.5, 2, 3, 4, 5, 7), np.arange(1, 10, 0.25)):
        at = np.ravel(np.outer(10.0**powers, each))
        ticks = [float(f"{tick:.3g}") for tick in at[(low <= at) & (at <= high)]]
        if len(ticks) >= 3:
            break
    # More than five run into each other on a phone.
    ticks = ticks[:: -(-len(ticks) // 5) or 1]
    return {"type": "log", "tickvals": ticks, "ticktext": [f"{tick:g}" for tick in ticks]}
