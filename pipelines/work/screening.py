"""Screening of readings in six steps, in the published order; nothing is deleted, each reading keeps its reason.

Order: Simbahan, Dobermann & Ping, *Agron. J.* 96:1091-1102, 2004: header up; start and end of passes; flow,
distance and moisture outliers; biological yield limits; local neighbourhood outliers; short segments and
co-located points. On four maize and soybean maps they left out 13 to 20 % of the records, 72 to 85 % of those in
the first two steps, and 2.6 to 3.9 % of all records in steps three to six. The thresholds below are common
practice, no source, unless said otherwise: the paper's own were not seen.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.yields import wet_yield_t_ha
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.classes import Drive, Words
from chaffinch.pipelines.work.track import Track
from numpy.typing import NDArray

PUBLISHED_LEFT_OUT_PCT = (13.0, 20.0)

# Step of the published order, 1 to 6, of every code; the order of the codes is that in which they are applied.
STEPS = {
    "stop": 1,
    "turn": 1,
    "away": 1,
    "reversing": 1,
    "lead_in": 2,
    "lead_out": 2,
    "end_unlogged": 2,
    "no_flow": 3,
    "thin_crop": 3,
    "flow_outlier": 3,
    "speed_outlier": 3,
    "moisture_outlier": 3,
    "yield_limit": 4,
    "neighbour_outlier": 5,
    "cut_ground": 6,
    "short_segment": 6,
}
STEP_WORDS = {
    1: "not in work",
    2: "start or end of a pass",
    3: "flow, speed or moisture far out",
    4: "impossible yield",
    5: "unlike its neighbourhood",
    6: "short stretch or ground cut before",
}

SPREADS = 4.0
SLOWEST_M_S, FASTEST_M_S = 0.5, 3.3
NEIGHBOUR_CELL_M = 10.0
FEWEST_NEIGHBOURS = 8
NEIGHBOUR_SPREADS = 4.0
LEAST_NEIGHBOUR_LOG = 0.4
SHORTEST_SEGMENT_S = 10.0


def screen(
    drive: Drive, moisture_pct: Array, width_m: Array, steady: Flags, yields_t_ha: tuple[float, float] | None
) -> Words:
    """Code of the first of steps three to six that leaves a steady reading out, else empty text; shape (n,).

    moisture_pct : at the moment of intake. width_m : effective. steady : readings that no step has left out so
    far. yields_t_ha : what a reading's wet yield may be; None where the crop is not known.
    """
    codes = np.full(drive.time_s.size, "", dtype="<U18")
    left = steady.copy()

    def leave_out(code: str, found: Flags) -> None:
        hit = left & found
        codes[hit] = code
        left[hit] = False

    leave_out("flow_outlier", far_out(drive.feed_t_h, left))
    leave_out("speed_outlier", _speed_outlier(drive.speed_m_s, left))
    leave_out("moisture_outlier", far_out(moisture_pct, left))
    yields = np.asarray(wet_yield_t_ha(drive.feed_t_h / 3.6, drive.speed_m_s, width_m))
    if yields_t_ha is not None:
        leave_out("yield_limit", (yields < yields_t_ha[0]) | (yields > yields_t_ha[1]))
    leave_out("neighbour_outlier", neighbour_outlier(yields, drive.way, left))
    leave_out("short_segment", short_segment(drive.time_s, drive.passes, left))
    return codes


def far_out(values: Array, use: Flags) -> Flags:
    """Further than four spreads from the median; spread by quartiles (as a standard deviation), shape (n,)."""
    known = values[use & np.isfinite(values)]
    if known.size < 30:
        return np.zeros(values.size, dtype=bool)
    low, middle, high = np.percentile(known, [25, 50, 75])
    spread = (high - low) / 1.349
    if spread <= 0:
        return np.zeros(values.size, dtype=bool)
    return np.abs(values - middle) > SPREADS * spread


def _speed_outlier(speed_m_s: Array, use: Flags) -> Flags:
    """Slower than a combine works, or faster, unless this one always is."""
    known = speed_m_s[use & np.isfinite(speed_m_s)]
    usual = float(np.median(known)) if known.size else 1.5
    return (speed_m_s < min(SLOWEST_M_S, 0.5 * usual)) | (speed_m_s > max(FASTEST_M_S, 1.3 * usual))


def neighbour_outlier(yields: Array, way: Track, use: Flags) -> Flags:
    """Far from the median yield of the 3 x 3 cells of 10 m around, by the spread of all such differences.

    The difference is that of logs. Neither a difference of under 0.4 (a half more or a third less) nor a place
    with under eight neighbours counts.
    """
    rows = np.flatnonzero(use & (yields > 0) & way.known)
    out = np.zeros(yields.size, dtype=bool)
    if rows.size < 100:
        return out
    value = np.log(yields[rows])
    x, y = (
        np.floor((v[rows] - v[rows].min()) / NEIGHBOUR_CELL_M).astype(np.int64)
        for v in (way.east_m, way.north_m)
    )
    # One number a cell; rows of cells lie two cells apart, so that no neighbour is one of the next row.
    across = int(y.max()) + 3
    cell = x * across + y
    around = (np.array([-1, 0, 1])[:, None] * across + np.array([-1, 0, 1])).reshape(-1, 1)
    around = (
        pl.DataFrame({"cell": (cell + around).ravel(), "value": np.tile(value, around.size)})
        .group_by("cell")
        .agg(pl.col("value").median().alias("middle"), pl.len().alias("near"))
        .sort("cell")
    )
    own = np.searchsorted(around["cell"].to_numpy(), cell)
    off = value - around["middle"].to_numpy()[own]
    low, high = np.percentile(off, [25, 75])
    limit = max(NEIGHBOUR_SPREADS * (high - low) / 1.349, LEAST_NEIGHBOUR_LOG)
    out[rows] = (np.abs(off) > limit) & (around["near"].to_numpy()[own] > FEWEST_NEIGHBOURS)
    return out


def short_segment(time_s: Array, pass_number: NDArray[np.int32], use: Flags) -> Flags:
    """Readings left of a pass in runs of under ten seconds, shape (n,)."""
    out = np.zeros(time_s.size, dtype=bool)
    rows = np.flatnonzero(use)
    if rows.size < 2:
        return out
    step = np.diff(time_s[rows])
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 1.0
    new = (step > 2.5 * usual) | (np.diff(pass_number[rows]) != 0)
    run = np.concatenate([[0], np.cumsum(new)])
    starts = np.concatenate([[0], np.flatnonzero(new) + 1])
    ends = np.concatenate([starts[1:], [rows.size]]) - 1
    length = time_s[rows[ends]] - time_s[rows[starts]] + usual
    out[rows] = (length < SHORTEST_SEGMENT_S)[run]
    return out


def shares(marked: pl.DataFrame) -> dict[str, float]:
    """What screening leaves out by ``mark_work``'s ``unused_because``: code of ``STEPS`` to % of all records.

    Readings that are only kept apart (steep ground) are not left out by screening.
    """
    counted = dict(marked.group_by("unused_because").len().drop_nulls().iter_rows())
    return {code: 100.0 * counted.get(code, 0) / max(marked.height, 1) for code in STEPS}
