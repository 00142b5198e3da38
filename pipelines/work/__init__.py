"""Align and clean: bring the channels of one machine to one moment and say which readings count.

``mark_work`` keeps every row and adds, for each, the pass, the class of work, whether it is usable and if not why,
how wide the crop really was, the lie of the ground, and the channels brought forward to the moment at which the
crop entered the machine. ``facts.work_facts`` sums up what it found.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.work.align import Aligned, align
from chaffinch.pipelines.work.classes import Drive, classes_of, kinds_of_passes
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.delays.of_log import machine_delays
from chaffinch.pipelines.work.passes import number_passes, working_state
from chaffinch.pipelines.work.screening import Readings, UsualYield, screen
from chaffinch.pipelines.work.series import loss_column, numbers, seconds_of, shifted, speed_of
from chaffinch.pipelines.work.swath import effective_width
from chaffinch.pipelines.work.terrain import Terrain, terrain
from chaffinch.pipelines.work.track import track, turning
from numpy.typing import NDArray

__all__ = [
    "ADDED_COLUMNS",
    "cut_width_m",
    "loss_column",
    "machine_delays",
    "mark_work",
    "seconds_of",
    "shifted",
]

Array = NDArray[np.float64]

USED = ("steady", "unloading")
ADDED_COLUMNS: dict[str, pl.DataType] = {
    "pass_number": pl.Int32(),
    "pass_kind": pl.String(),
    "work_class": pl.String(),
    "usable": pl.Boolean(),
    "unused_because": pl.String(),
    "effective_width_m": pl.Float64(),
    "side_slope_pct": pl.Float64(),
    "feed_rate_t_h": pl.Float64(),
    "separation_loss_aligned": pl.Float64(),
    "cleaning_loss_aligned": pl.Float64(),
    "moisture_aligned_pct": pl.Float64(),
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
    flow, width = numbers(ordered, "grain_flow_kg_s"), numbers(ordered, "working_width_m")
    working = working_state(
        numbers(ordered, "working"), speed, flow, delays.grain.seconds, time_s, turning(way), way.reversing
    )
    swaths = effective_width(way, working, width)
    moved = align(ordered, time_s, working, delays)
    with np.errstate(invalid="ignore", divide="ignore"):
        uncut = swaths.effective_width_m / np.where(width > 0, width, np.nan)
    passes = number_passes(time_s, working, way.heading_deg)
    unloading = numbers(ordered, "unloading") > 0.5
    drive = Drive(time_s, passes, speed, moved.feed_t_h, uncut, way, unloading, delays.grain.seconds)
    classes, ground = classes_of(drive), terrain(ordered, way)
    cut_m = np.where(np.isfinite(swaths.effective_width_m), swaths.effective_width_m, width)
    screened = Readings(
        time_s,
        moved.feed_t_h,
        moved.moisture_pct,
        speed,
        cut_m,
        way.east_m,
        way.north_m,
        passes,
        np.isin(classes, USED),
    )
    because = _unused(classes, screen(screened, _usual_yield(ordered)), ground)
    marks = {
        "pass_number": pl.Series(passes, dtype=pl.Int32).replace(0, None),
        "pass_kind": _texts(kinds_of_passes(drive)),
        "work_class": _texts(classes),
        "usable": pl.Series(because == "", dtype=pl.Boolean),
        "unused_because": _texts(because),
        "effective_width_m": _floats(swaths.effective_width_m),
        "side_slope_pct": _floats(ground.side_slope_pct),
        **_aligned(moved),
    }
    filled = {"speed_m_s": speed, "pitch_deg": ground.pitch_deg, "roll_deg": ground.roll_deg}
    missing = {n: _floats(v) for n, v in filled.items() if np.isnan(numbers(ordered, n)).all()}
    return ordered.with_columns(s.alias(name) for name, s in (missing | marks).items())


def cut_width_m(marked: pl.DataFrame) -> Array:
    """Width of crop before the cutter bar at every reading of ``mark_work``'s table, m: by geometry where
    positions tell, else as logged; NaN where neither is known. Shape (n,)."""
    effective = numbers(marked, "effective_width_m")
    return np.where(np.isfinite(effective), effective, numbers(marked, "working_width_m"))


def _unused(classes: NDArray[np.str_], screened: NDArray[np.str_], ground: Terrain) -> NDArray[np.str_]:
    """Why each reading is not used; empty where it is. Of steep and gentle ground the lesser part is kept apart:
    beyond some 20 % across, where compensation ends, losses follow other laws."""
    used = np.isin(classes, USED)
    because = np.where(used, screened, classes).astype("<U20")
    left = because == ""
    steep = ground.beyond_compensation
    mostly = bool(steep[left].mean() > 0.5) if left.any() else False
    because[left & (steep != mostly)] = "gentle_slope" if mostly else "steep_slope"
    return because


def _usual_yield(ordered: pl.DataFrame) -> UsualYield:
    from chaffinch.schemas.declarations import crops

    named = ordered["crop"].drop_nulls().mode().sort() if "crop" in ordered.columns else pl.Series([])
    known = crops().get(named[0]) if named.len() else None
    return UsualYield(known.yield_low_t_ha, known.yield_high_t_ha) if known else UsualYield()


def _aligned(moved: Aligned) -> dict[str, pl.Series]:
    return {
        "feed_rate_t_h": _floats(moved.feed_t_h),
        "separation_loss_aligned": _floats(moved.separation),
        "cleaning_loss_aligned": _floats(moved.cleaning),
        "moisture_aligned_pct": _floats(moved.moisture_pct),
    }


def _floats(values: Array) -> pl.Series:
    return pl.Series(values.astype(float), dtype=pl.Float64, nan_to_null=True)


def _texts(codes: NDArray[np.str_]) -> pl.Series:
    """Codes as texts, null for empty ones."""
    return pl.Series(codes.astype(object), dtype=pl.String).replace("", None)
