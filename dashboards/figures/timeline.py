"""Figure: the course of a field on one time axis: feed rate, losses, moisture, speed and settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from chaffinch.dashboards.figures.field_data import extremes, local_ms
from chaffinch.dashboards.figures.stacked import Stacked
from chaffinch.dashboards.figures.theme import Figure, light, number_look
from chaffinch.dashboards.words.shown_changes import ShownChange
from chaffinch.dashboards.words.shown_units import METRIC, ShownUnits
from chaffinch.dashboards.words.terms import name_in_figure, setting_label
from chaffinch.pipelines.array_types import Array

Steps = Sequence[tuple[ShownChange, str | None, str, str | None]]
ROW_PX, SETTING_PX, GAP_PX = 130, 78, 30
MOST_SETTINGS = 8
MOST_TURNS_SHADED = 400
# A number is about 22 px wide and 24 px high, a telephone's timeline about 310 px wide.
LEVEL_PX, MOST_LEVELS, LEAST_APART = 26, 3, 0.08
TIME_TICKS = [
    {"dtickrange": [None, 59_000], "value": "%H:%M:%S\n%-d %b %Y"},
    {"dtickrange": [60_000, 86_399_000], "value": "%H:%M\n%-d %b %Y"},
    {"dtickrange": [86_400_000, None], "value": "%-d %b\n%Y"},
]


@dataclass(frozen=True, slots=True)
class Course:
    """One row of the timeline: column of the marked readings, words, unit, colour of the palette."""

    column: str
    words: str
    unit: str
    colour: str


def courses(readings: pl.DataFrame, loss_unit: str, units: ShownUnits = METRIC) -> list[Course]:
    """The rows that the data have something for."""
    listed = (
        Course("feed", "Grain feed rate", units.feed_rate[1], "feed"),
        Course("separation_loss_aligned", "Separation loss", loss_unit, "separation"),
        Course("cleaning_loss_aligned", "Cleaning loss", loss_unit, "cleaning"),
        Course("moisture_aligned_pct", "Moisture", "%", "moisture"),
        Course("speed", "Speed", units.speed[1], "speed"),
    )
    return [course for course in listed if readings[course.column].count() > 1]


def timeline(
    readings: pl.DataFrame,
    medians: pl.DataFrame,
    minutes: int,
    rows: Sequence[Course],
    changes: Sequence[ShownChange],
    zone_name: str | None,
) -> Figure | None:
    """Readings thin (lowest and highest of every stretch kept), medians of steady work bold, changes marked.

    medians, minutes : of ``medians_in_time``; each is drawn at the middle of its stretch. None without rows.
    """
    if not rows:
        return None
    steps = _steps(changes)
    stack = Stacked([ROW_PX] * len(rows) + [SETTING_PX] * len(steps), GAP_PX)
    at = local_ms(readings["time"], zone_name)
    middle = local_ms(medians["time"], zone_name) + minutes * 30_000
    for number, course in enumerate(rows, 1):
        _add_course(stack, number, course, readings, at)
        _add_medians(stack, number, course, medians, middle)
    for number, (setting, known) in enumerate(steps.items(), len(rows) + 1):
        _add_steps(stack, number, setting, known, (float(at[0]), float(at[-1])), zone_name)
    _mark(stack, readings, at, changes, zone_name)
    raised = max([note.get("yshift", 22) - 22 for note in stack.annotations], default=0)
    return stack.figure(
        {
            "type": "date",
            "fixedrange": False,
            "hoverformat": "%H:%M:%S",
            "range": [float(at[0]), float(at[-1])],
            "tickangle": 0,
            "tickformatstops": TIME_TICKS,
        },
        {"nticks": 5},
        height=stack.inner_px + 90 + raised,
        margin={"l": 8, "r": 14, "t": 56 + raised, "b": 8},
        dragmode="zoom",
        meta={"shared_time": True},
    )


def _add_course(stack: Stacked, number: int, course: Course, readings: pl.DataFrame, at: Array) -> None:
    values = readings[course.column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    x, y = extremes(at, values)
    from_zero = np.nanmin(y) >= 0 and course.colour != "moisture"
    bottom = 0.0 if from_zero else float(np.nanquantile(y, 0.002))
    top = float(np.nanquantile(y, 0.998))
    stack.set_y(number, range=[bottom, top + 0.08 * (top - bottom) + 1e-6])
    thin = {
        "x": x,
        "y": y.astype(np.float32),
        "mode": "lines",
        "name": course.words,
        "opacity": 0.38,
        "line": {"color": light(course.colour), "width": 1},
        "hoverinfo": "skip",
    }
    stack.add(number, thin)
    stack.entitle(number, f"{course.words}, {course.unit}")


def _add_medians(stack: Stacked, number: int, course: Course, medians: pl.DataFrame, at: Array) -> None:
    bold = {
        "x": at,
        "y": medians[course.column].fill_null(float("nan")).to_numpy(),
        "mode": "lines+markers",
        "name": f"{course.words}, median",
        "meta": course.column,
        "connectgaps": False,
        "line": {"color": light(course.colour), "width": 2.5},
        "marker": {"size": 5},
        "hovertemplate": f"%{{x|%H:%M}}  %{{y:.3g}} {course.unit}<extra></extra>",
    }
    stack.add(number, bold)


def _steps(changes: Sequence[ShownChange]) -> dict[str, Steps]:
    """Setting to its changes in order; services, which have no value, are only marked."""
    steps: dict[str, list[tuple[ShownChange, str | None, str, str | None]]] = {}
    for change in changes:
        for setting, before, after, unit in change.settings:
            if after is not None:
                steps.setdefault(setting, []).append((change, before, after, unit))
    return dict(list(steps.items())[:MOST_SETTINGS])


def values_in_force(
    changes: Sequence[ShownChange], moments: Sequence[datetime]
) -> dict[str, list[str | None]]:
    """Title of each drawn setting to its value at each moment; None before it is known."""
    found: dict[str, list[str | None]] = {}
    for setting, known in _steps(changes).items():
        values: list[str | None] = []
        for moment in moments:
            past = [after for change, _, after, _ in known if change.time <= moment]
            values.append(past[-1] if past else known[0][1])
        unit = known[0][3]
        found[f"{setting_label(setting)}, {unit}" if unit else setting_label(setting)] = values
    return found


def _add_steps(
    stack: Stacked,
    number: int,
    setting: str,
    known: Steps,
    span: tuple[float, float],
    zone_name: str | None,
) -> None:
    """A step line; words become heights 0, 1, ... with the words as ticks, in order of appearance."""
    moments = local_ms(pl.Series([change.time for change, *_ in known]), zone_name).tolist()
    first = known[0][1]
    values = [*([first] if first is not None else []), *(after for _, _, after, _ in known)]
    starts = [*([min(span[0], moments[0])] if first is not None else []), *moments]
    numbers = _numbers(values)
    names = list(dict.fromkeys(values))
    heights = numbers or [float(names.index(value)) for value in values]
    line = {
        "x": [*starts, max(span[1], moments[-1])],
        "y": [*heights, heights[-1]],
        "mode": "lines+markers",
        "name": "setting",
        "meta": "setting",
        "line": {"color": light("ink"), "width": 2.5, "shape": "hv"},
        "marker": {"size": 6},
        "hoverinfo": "x" if numbers is None else "x+y",
    }
    stack.add(number, line)
    spare = (max(heights) - min(heights)) * 0.25 or 1.0
    stack.set_y(number, range=[min(heights) - spare, max(heights) + spare])
    if numbers is None:
        words = [name_in_figure(name, 10) for name in names]
        stack.set_y(number, tickvals=list(range(len(names))), ticktext=words)
    elif len(names) <= 3:
        stack.set_y(number, tickvals=sorted(set(heights)))
    unit = known[0][3]
    title = name_in_figure(setting_label(setting), 30)
    stack.entitle(number, f"{title}, {name_in_figure(unit, 10)}" if unit else title)


def _numbers(values: Sequence[str]) -> list[float] | None:
    try:
        found = [float(value) for value in values]
    except ValueError:
        return None
    return found if np.isfinite(found).all() else None


def _mark(
    stack: Stacked, readings: pl.DataFrame, at: Array, changes: Sequence[ShownChange], zone_name: str | None
) -> None:
    """A faint ground under all that is not a pass (turns, stops, ways), and a numbered line at each change."""
    stack.shapes += [
        _upright(a, b, layer="below", fillcolor=light("idle"), line={"width": 0})
        for a, b in between_passes(readings, at)[:MOST_TURNS_SHADED]
    ]
    if not changes:
        return
    moments = local_ms(pl.Series([c.time for c in changes]), zone_name).tolist()
    dashed = {"color": light("worse"), "width": 1.5, "dash": "dash"}
    stack.shapes += [_upright(m, m, type="line", line=dashed) for m in moments]
    stack.annotations += [
        {
            "x": moment,
            "xref": "x",
            "y": 1,
            "yref": "paper",
            "yanchor": "bottom",
            "yshift": 22 + LEVEL_PX * level,
            "text": f"<b>{change.number}</b>",
            "showarrow": False,
            **number_look(),
        }
        for change, moment, level in zip(changes, moments, levels_of(moments, at), strict=True)
    ]


def levels_of(moments: Sequence[float], at: Array) -> list[int]:
    """How high the number of each change stands, so that neighbours do not hide each other on a telephone.

    moments : in order; at : moments of the readings. Where even the top level is taken, it is shared.
    """
    room = LEAST_APART * max(float(at[-1] - at[0]), 1.0)
    last = [-np.inf] * MOST_LEVELS
    levels = []
    for moment in moments:
        free = [k for k, before in enumerate(last) if moment - before >= room]
        level = free[0] if free else int(np.argmin(last))
        last[level] = moment
        levels.append(level)
    return levels


def between_passes(readings: pl.DataFrame, at: Array) -> list[tuple[float, float]]:
    """(from, to) of each stretch without a pass, longest first; ``at``: moments of the readings."""
    passes = readings["pass_number"].fill_null(0).to_numpy()
    edges = np.flatnonzero(np.diff(passes)) + 1
    starts, ends = np.r_[0, edges], np.r_[edges, passes.size - 1]
    idle = passes[starts] <= 0
    spans = zip(at[starts[idle]].tolist(), at[ends[idle]].tolist(), strict=True)
    # Passes that follow each other without a reading between them are parted by a hole in the log.
    holes = np.flatnonzero((np.diff(at) > 60_000) & (passes[1:] > 0) & (passes[:-1] > 0))
    apart = zip(at[holes].tolist(), at[holes + 1].tolist(), strict=True)
    return sorted((span for span in [*spans, *apart] if span[1] > span[0]), key=lambda s: s[0] - s[1])


def _upright(x0: float, x1: float, **look: object) -> dict[str, object]:
    return {"type": "rect", "xref": "x", "yref": "paper", "x0": x0, "x1": x1, "y0": 0, "y1": 1, **look}
