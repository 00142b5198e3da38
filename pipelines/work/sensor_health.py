"""Sensors that look dead, saturated, drifting or out of calibration, on the last days each machine worked.

Each suspicion compares with something else: the other loss signal, the loss checks, neighbouring machines, the
weighed loads. A loss signal alone says little, since loss itself moves severalfold; so bounds are wide. All of
them are common practice, no source.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import log
from typing import Any

import polars as pl
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.validate.judgement import in_words
from chaffinch.pipelines.work.last_days import LOSS_SIGNALS, WATCHED, KeptDays, worked_days
from chaffinch.pipelines.work.load_calibration import WeighedLoads
from chaffinch.schemas.declarations import without_unit

SHORTEST_WORK_S = 1200.0
SATURATED_SHARE = 0.2
# One loss signal that moved this much against the other one, by day, moved alone.
DRIFT_FACTOR = 3.0
# A loss signal without another one must move this much against grain flow.
LONE_DRIFT_FACTOR = 6.0
CHECK_FACTOR = 3.0
NEIGHBOUR_POINTS = 1.5
FLOW_ERROR_PCT = 10.0

_SPOKEN = {channel: without_unit(channel).replace("_", " ") for channel in WATCHED}
# Worst first: what makes effects wrong before what makes them imprecise.
KINDS = ("dead", "saturated", "out of calibration", "drifting")


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One sensor of one machine. ``kind``: one of ``KINDS``. ``sentence`` says why and what to do."""

    kind: str
    machine: str
    field: str | None
    day: date
    channel: str
    sentence: str


def suspicions(lake: ReadableLake, weighed: WeighedLoads, kept: KeptDays | None = None) -> list[Suspicion]:
    """Everything suspicious on the last worked day of each machine, worst first. kept : see ``worked_days``."""
    days = worked_days(lake, kept)
    if days.is_empty():
        return []
    last = days.group_by("machine").agg(pl.col("day").max().alias("last"))
    days = days.join(last, on="machine")
    newest = days["day"].max()
    assert isinstance(newest, date)
    found = [
        *_dead_or_saturated(days),
        *_drifting(days),
        *_moisture_against_neighbours(days, newest),
        *_loss_against_checks(lake, days),
        *_flow_against_loads(weighed, days),
    ]
    return sorted(found, key=lambda one: (KINDS.index(one.kind), one.machine, one.channel, one.sentence))


def _last_days(days: pl.DataFrame) -> Iterator[dict[str, Any]]:
    """Rows of each machine's last day with enough work to judge."""
    full = days.filter(pl.col("day") == pl.col("last"), pl.col("seconds") >= SHORTEST_WORK_S)
    return full.iter_rows(named=True)


def _dead_or_saturated(days: pl.DataFrame) -> Iterator[Suspicion]:
    for row in _last_days(days):
        for channel in WATCHED:
            if row[f"count {channel}"] < row["readings"] / 2:
                continue
            low, high, name = row[f"lowest {channel}"], row[f"highest {channel}"], _SPOKEN[channel]
            if low == high:
                hint = (
                    "or the value was entered by hand" if channel == "grain_moisture_pct" else "and its cable"
                )
                yield _one(
                    "dead", row, channel,
                    f"The {name} stayed at {high:g} through {in_words(row['seconds'] / 3600)} of work: "
                    f"check the sensor {hint}.",
                )  # fmt: skip
            elif row[f"at top {channel}"] >= SATURATED_SHARE and channel.endswith("_signal"):
                share = 100 * row[f"at top {channel}"]
                yield _one(
                    "saturated", row, channel,
                    f"The {name} was at its highest value in {share:.0f} % of the work: it is set too sensitive, "
                    "and effects look too small. Turn its sensitivity down.",
                )  # fmt: skip


def _drifting(days: pl.DataFrame) -> Iterator[Suspicion]:
    """The last day of each machine and crop against its earlier ones: one signal against the other, else flow."""
    for row in _last_days(days):
        before = days.filter(
            pl.col("machine") == row["machine"],
            pl.col("day") < row["day"],
            pl.col("crop").eq_missing(pl.lit(row["crop"], pl.String)),
            pl.col("seconds") >= SHORTEST_WORK_S,
        )
        moved = {channel: _moved(row, before, channel) for channel in LOSS_SIGNALS}
        known = {channel: factor for channel, factor in moved.items() if factor is not None}
        for channel, factor in known.items():
            other = next((f for c, f in known.items() if c != channel), None)
            bound = LONE_DRIFT_FACTOR if other is None else DRIFT_FACTOR
            against = factor if other is None else factor / other
            # Of two that moved apart, the one that moved more is the odd one.
            odd = other is None or abs(log(factor)) >= abs(log(other))
            if odd and abs(log(against)) > log(bound):
                way = f"{factor:.1f} times as high" if factor > 1 else f"only {100 * factor:.0f} % as high"
                alone = " while the other loss signal did not follow" if other is not None else ""
                yield _one(
                    "drifting", row, channel,
                    f"For the same grain flow the {_SPOKEN[channel]} was {way} as on the days before{alone}: clean "
                    "the sensor and check its setting before you rely on its numbers.",
                )  # fmt: skip


def _moved(row: dict[str, Any], before: pl.DataFrame, channel: str) -> float | None:
    """Signal per grain flow of the day over that of the days before; None where either is unknown."""
    ratio = pl.col(f"mean {channel}") / pl.col("mean grain_flow_kg_s")
    earlier = before.select(ratio.alias("r"))["r"].drop_nulls().drop_nans()
    earlier = earlier.filter((earlier > 0) & earlier.is_finite())
    signal, flow = row[f"mean {channel}"], row["mean grain_flow_kg_s"]
    if not earlier.len() or not signal or not flow or row[f"lowest {channel}"] == row[f"highest {channel}"]:
        return None
    middle = earlier.median()
    return float(signal / flow / middle) if isinstance(middle, float) else None


def _moisture_against_neighbours(days: pl.DataFrame, newest: date) -> Iterator[Suspicion]:
    """Machines in one crop on one day, within hours of each other."""
    channel = "grain_moisture_pct"
    known = days.filter(pl.col(f"count {channel}") > 0, pl.col("seconds") >= SHORTEST_WORK_S)
    for row in _last_days(known):
        near = known.filter(
            pl.col("day") == row["day"],
            pl.col("machine") != row["machine"],
            pl.col("crop").eq_missing(pl.lit(row["crop"], pl.String)),
            pl.col("first_time") < row["last_time"],
            pl.col("last_time") > row["first_time"],
        )
        if near.is_empty() or row["crop"] is None:
            continue
        middle = near[f"median {channel}"].median()
        assert isinstance(middle, float)
        difference = row[f"median {channel}"] - middle
        if abs(difference) >= NEIGHBOUR_POINTS:
            others = " and ".join(near["machine"].unique().sort().to_list()[:3])
            way = "above" if difference > 0 else "below"
            yield _one(
                "out of calibration", row, channel,
                f"The grain moisture was {abs(difference):.1f} points {way} that of {others} in the same crop at the "
                "same hours: compare a sample with a tested meter.",
            )  # fmt: skip


def _loss_against_checks(lake: ReadableLake, days: pl.DataFrame) -> Iterator[Suspicion]:
    """Weighed loss per unit of signal, each check against the machine's others in the same crop."""
    weights = _check_weights(lake, days)
    for (machine, crop), own in weights.group_by("machine", "crop", maintain_order=True):
        if own.height < 2:
            continue
        newest = own.sort("time").row(-1, named=True)
        others = own.filter(pl.col("time") < newest["time"])["weight"].median()
        factor = newest["weight"] / others if isinstance(others, float) and others > 0 else 1.0
        if abs(log(factor)) > log(CHECK_FACTOR):
            way = f"{factor:.1f} times" if factor > 1 else f"{100 * factor:.0f} % of"
            yield Suspicion(
                "out of calibration", str(machine), newest["field"], newest["time"].date(), "loss signals",
                f"The loss check of {newest['time']:%d %B %H:%M} UTC found {way} the loss that the signals and the "
                f"earlier checks in {crop or 'this crop'} predict: check both loss sensors, and weigh another pan.",
            )  # fmt: skip


def _check_weights(lake: ReadableLake, days: pl.DataFrame) -> pl.DataFrame:
    """Kg/s weighed for each unit of the summed loss signals, for each loss check of ``field_jobs`` in these days."""
    jobs = lake.scan("field_jobs").filter(pl.col("last_time") >= days["first_time"].min())
    named = jobs.select("machine", "crop", "field", "loss_checks").collect()
    rows = [
        (machine, crop, field, datetime.fromtimestamp(at_s, UTC), lost_kg_s / signal)
        for machine, crop, field, pairs in named.iter_rows()
        for lost_kg_s, signal, at_s in json.loads(pairs or "[]")
        if signal > 0 and lost_kg_s > 0
    ]
    weights = pl.DataFrame(rows, ["machine", "crop", "field", "time", "weight"], orient="row")
    return weights.sort("machine", "crop", "time")


def _flow_against_loads(weighed: WeighedLoads, days: pl.DataFrame) -> Iterator[Suspicion]:
    """Machines whose logged grain is far from what was weighed, in crops of their last days."""
    for (machine, crop), found in weighed.by_machine_and_crop.items():
        mine = days.filter(pl.col("machine") == machine, pl.col("crop").eq_missing(pl.lit(crop, pl.String)))
        error_pct = 100 * (1 / found.factor - 1) if found.factor else 0.0
        if mine.height and abs(error_pct) >= FLOW_ERROR_PCT:
            row = mine.row(-1, named=True)
            way = "more" if error_pct > 0 else "less"
            yield _one(
                "out of calibration", row, "grain_flow_kg_s",
                f"The grain flow logged {abs(error_pct):.0f} % {way} grain than was weighed in {crop or 'its loads'}"
                ": calibrate it by the loads. Effects in tonnes and capacities are corrected for it.",
            )  # fmt: skip
        offset = found.moisture_offset_pct
        if mine.height and offset is not None and abs(offset) >= NEIGHBOUR_POINTS:
            way = "above" if offset > 0 else "below"
            yield _one(
                "out of calibration", mine.row(-1, named=True), "grain_moisture_pct",
                f"The grain moisture was {abs(offset):.1f} points {way} that of the weighed loads: have it checked.",
            )  # fmt: skip


def _one(kind: str, row: dict[str, Any], channel: str, sentence: str) -> Suspicion:
    return Suspicion(kind, row["machine"], row["field"], row["day"], channel, sentence)
