"""Align and clean: bring the channels of one machine to one moment and say which readings count.

``mark_work`` keeps every row and adds, for each, the pass, the class of work, whether it is usable and if not why,
how wide the crop really was, the lie of the ground, and the channels brought forward to the moment at which the
crop entered the machine. ``facts.work_facts`` sums up what it found.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.align import ALIGNED, align
from chaffinch.pipelines.work.classes import Drive, Words, classes_of, kinds_of_passes
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.delays.of_log import machine_delays
from chaffinch.pipelines.work.passes import number_passes, working_state
from chaffinch.pipelines.work.screening import screen
from chaffinch.pipelines.work.series import seconds_of, speed_of, values_of
from chaffinch.pipelines.work.swath import effective_width
from chaffinch.pipelines.work.terrain import COMPENSATED_PCT, terrain
from chaffinch.pipelines.work.track import track, turning
from chaffinch.schemas.declarations import crops

USED = ("steady", "unloading")
ADDED_COLUMNS: dict[str, pl.DataType] = {
    "pass_number": pl.Int32(),
    "pass_kind": pl.String(),
    "work_class": pl.String(),
    "usable": pl.Boolean(),
    "unused_because": pl.String(),
    "effective_width_m": pl.Float64(),
    "side_slope_pct": pl.Float64(),
    **dict.fromkeys(ALIGNED.values(), pl.Float64()),
}


def mark_work(readings: pl.DataFrame, delays: Delays | None = None) -> pl.DataFrame:
    """Class every reading of one machine (one field) and align its channels.

    readings : rows of the ``readings`` contract, any order. Every row is kept, sorted by time. delays : from
    header to sensors; read off the log itself where they are not given.

    Adds ``pass_number`` and ``pass_kind`` (null outside passes), ``work_class`` (see ``classes.classes_of``),
    ``usable``, ``unused_because`` (null where usable: the class, or the code of a screening rule, or of ground
    kept apart; sentences in ``schemas/reasons.toml``), ``effective_width_m`` (crop before the cutter bar),
    ``side_slope_pct``, and, at the moment the crop enters: ``feed_rate_t_h`` (grain feed rate, wet),
    ``separation_loss_aligned``, ``cleaning_loss_aligned`` (unit of the channel), ``moisture_aligned_pct``.
    ``speed_m_s``, ``pitch_deg`` and ``roll_deg`` are filled where the log lacks them and distance or elevation
    tell.
    """
    ordered = readings.sort("time", maintain_order=True)
    if ordered.height == 0:
        return ordered.with_columns(pl.lit(None, kind).alias(name) for name, kind in ADDED_COLUMNS.items())
    time_s = seconds_of(ordered["time"])
    delays = delays or machine_delays(ordered)
    way, speed = track(ordered, time_s), speed_of(ordered)
    flow, width = values_of(ordered, "grain_flow_kg_s"), values_of(ordered, "working_width_m")
    working = working_state(
        values_of(ordered, "working"), speed, flow, delays.grain.seconds, time_s, turning(way), way.reversing
    )
    effective_m, _ = effective_width(way, working, width)
    aligned = align(ordered, time_s, delays)
    with np.errstate(invalid="ignore", divide="ignore"):
        uncut = effective_m / np.where(width > 0, width, np.nan)
    passes = number_passes(time_s, working, way.heading_deg)
    unloading = values_of(ordered, "unloading") > 0.5
    drive = Drive(
        time_s, passes, speed, aligned["feed_rate_t_h"], uncut, way, unloading, delays.grain.seconds
    )
    classes, ground = classes_of(drive), terrain(ordered, way)
    cut_m, used = np.where(np.isfinite(effective_m), effective_m, width), np.isin(classes, USED)
    screened = screen(drive, aligned["moisture_aligned_pct"], cut_m, used, _usual_yields_t_ha(ordered))
    because = _unused(np.where(used, screened, classes), ground.side_slope_pct > COMPENSATED_PCT)
    marks = {
        "pass_number": pl.Series(passes, dtype=pl.Int32).replace(0, None),
        "pass_kind": _texts(kinds_of_passes(drive)),
        "work_class": _texts(classes),
        "usable": pl.Series(because == "", dtype=pl.Boolean),
        "unused_because": _texts(because),
        "effective_width_m": _floats(effective_m),
        "side_slope_pct": _floats(ground.side_slope_pct),
        **{column: _floats(values) for column, values in aligned.items()},
    }
    filled = {"speed_m_s": speed, "pitch_deg": ground.pitch_deg, "roll_deg": ground.roll_deg}
    missing = {n: _floats(v) for n, v in filled.items() if np.isnan(values_of(ordered, n)).all()}
    return ordered.with_columns(s.alias(name) for name, s in (missing | marks).items())


def cut_width_m(marked: pl.DataFrame) -> Array:
    """Width of crop before the cutter bar at every reading of ``mark_work``'s table, m: by geometry where
    positions tell, else as logged; NaN where neither is known. Shape (n,)."""
    effective = values_of(marked, "effective_width_m")
    return np.where(np.isfinite(effective), effective, values_of(marked, "working_width_m"))


def _unused(because: Words, steep: Flags) -> Words:
    """Why each reading is not used, empty where it is. Of steep and gentle ground the lesser part is kept apart:
    beyond some 20 % across, where compensation ends, losses follow other laws."""
    because = because.astype("<U20")
    left = because == ""
    mostly = bool(steep[left].mean() > 0.5) if left.any() else False
    because[left & (steep != mostly)] = "gentle_slope" if mostly else "steep_slope"
    return because


def _usual_yields_t_ha(ordered: pl.DataFrame) -> tuple[float, float] | None:
    """Least and greatest yield of the log's crop; None where either is not known."""
    named = ordered["crop"].drop_nulls().mode().sort() if "crop" in ordered.columns else pl.Series([])
    known = crops().get(named[0]) if named.len() else None
    if known is None or known.yield_low_t_ha is None or known.yield_high_t_ha is None:
        return None
    return known.yield_low_t_ha, known.yield_high_t_ha


def _floats(values: Array) -> pl.Series:
    return pl.Series(values.astype(float), dtype=pl.Float64, nan_to_null=True)


def _texts(codes: Words) -> pl.Series:
    """Codes as texts, null for empty ones."""
    return pl.Series(codes.astype(object), dtype=pl.String).replace("", None)
