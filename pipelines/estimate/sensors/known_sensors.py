"""From field jobs to what is known of the loss sensors of each machine in each crop, and of its loss checks."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.data.design import PLACES
from chaffinch.pipelines.estimate.results.calibration import calibrate
from chaffinch.pipelines.estimate.results.gain_drift import DRIFTS
from chaffinch.pipelines.estimate.sensors.check_linearity import linearity
from chaffinch.pipelines.work.random_effects import random_effects

# Slopes of a signal on feed rate outside of this are not those of a loss (power of loss curves plus one).
POSSIBLE_SLOPES = (0.5, 3.5)

KNOWN_SENSORS: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "crop": pl.String(),
    "sensor": pl.String(),
    "fields": pl.Int64(),
    "hours": pl.Float64(),
    "zero_share": pl.Float64(),
    "zero_by_counting": pl.Float64(),
    "top_share": pl.Float64(),
    "step": pl.Float64(),
    "low": pl.Float64(),
    "median": pl.Float64(),
    "high": pl.Float64(),
    "slope": pl.Float64(),
    "slope_low": pl.Float64(),
    "slope_high": pl.Float64(),
    "against_other_log": pl.Float64(),
    "flaws": pl.List(pl.String()),
}
WEIGHED_CHECKS: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "crop": pl.String(),
    "field": pl.String(),
    "time": pl.Datetime("us", "UTC"),
    "signal": pl.Float64(),
    "lost_kg_s": pl.Float64(),
    "gain": pl.Float64(),
    "gain_low": pl.Float64(),
    "gain_high": pl.Float64(),
}
SIGNAL_WEIGHTS: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "crop": pl.String(),
    "checks": pl.Int64(),
    "last_check": pl.Datetime("us", "UTC"),
    "gain": pl.Float64(),
    "gain_low": pl.Float64(),
    "gain_high": pl.Float64(),
    "check_error_log": pl.Float64(),
    "drift_log_per_day": pl.Float64(),
    "slope": pl.Float64(),
    "slope_low": pl.Float64(),
    "slope_high": pl.Float64(),
    "checks_to_settle": pl.Int64(),
}


def known_sensors(field_jobs: pl.DataFrame) -> pl.DataFrame:
    """One row per machine, crop and loss sensor (``KNOWN_SENSORS``), by machine and crop.

    field_jobs : rows of the table. Shares and levels are means weighted by seconds of steady work; ``step`` is the
    smallest over fields; ``slope`` (of the log signal on the log feed rate) is drawn together over fields, with its
    95 % range. against_other_log : how far the log ratio to the other loss signal moved from the first half of the
    work to the second; null with fewer than two fields. flaws : codes of ``reasons``.
    """
    rows = []
    for (machine, crop), jobs in _by_machine_and_crop(field_jobs):
        facts = [json.loads(text) if text else {} for text in jobs["sensors"]]
        for place in PLACES:
            mine = [one[place] for one in facts if place in one]
            if not mine:
                continue
            codes = {
                flaw.split(":")[1]
                for flaws in jobs["flaws"].drop_nulls()
                for flaw in flaws
                if flaw.startswith(f"{place}:")
            }
            rows.append(
                {"machine": machine, "crop": crop, "sensor": place, "fields": len(mine)}
                | _together(mine)
                | {"against_other_log": _against_other(facts, place), "flaws": sorted(codes)}
            )
    return pl.DataFrame(rows, schema=KNOWN_SENSORS)


def weighed_signals(field_jobs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """``SIGNAL_WEIGHTS``, one row per machine and crop with a loss check; ``WEIGHED_CHECKS``, one row per check.

    The two loss signals are summed, as a check gathers what both let pass. gain : kg/s lost for one unit of the sum,
    with its 95 % range, at the last check and at each. slope : of log loss on log signal, 1 where the signal is
    proportional, with its 95 % range; null below three checks. checks_to_settle : see ``checks_to_settle``, between
    the low and the high signal of the machine's work.
    """
    weights, checks = [], []
    sums = _signal_ends(field_jobs)
    for (machine, crop), jobs in _by_machine_and_crop(
        field_jobs.filter(pl.col("calibrated").fill_null(0) == 0)
    ):
        stored = [
            (field, *pair)
            for field, text in jobs.select("field", "loss_checks").iter_rows()
            for pair in json.loads(text or "[]")
        ]
        pairs = np.array([one[1:] for one in stored], dtype=float).reshape(-1, 3)
        whole = np.isfinite(pairs).all(axis=1) & (pairs[:, :2] > 0).all(axis=1)
        known = calibrate(pairs)
        if known is None or known.course is None:
            continue
        order = [i for i in np.argsort(pairs[:, 2], kind="stable") if whole[i]]
        for i in order:
            at = known.at(float(pairs[i, 2]))
            checks.append(
                {
                    "machine": machine,
                    "crop": crop,
                    "field": stored[i][0],
                    "time": _moment(pairs[i, 2]),
                    "signal": pairs[i, 1],
                    "lost_kg_s": pairs[i, 0],
                    **_gain(at.log_kg_s_per_unit, at.error),
                }
            )
        bend = linearity(pairs)
        slope_low, slope_high = bend.ends if bend else (None, None)
        weights.append(
            {
                "machine": machine,
                "crop": crop,
                "checks": len(order),
                "last_check": _moment(pairs[order[-1], 2]),
                **_gain(known.log_kg_s_per_unit, known.error),
                "check_error_log": bend.check_error if bend else None,
                "drift_log_per_day": float(known.course.weights @ DRIFTS),
                "slope": bend.slope if bend else None,
                "slope_low": slope_low,
                "slope_high": slope_high,
                "checks_to_settle": bend.checks_to_settle(*sums[machine, crop])
                if bend and (machine, crop) in sums
                else None,
            }
        )
    return pl.DataFrame(weights, schema=SIGNAL_WEIGHTS), pl.DataFrame(checks, schema=WEIGHED_CHECKS)


def _by_machine_and_crop(field_jobs: pl.DataFrame) -> list[tuple[tuple[str, str | None], pl.DataFrame]]:
    ordered = field_jobs.sort("machine", "crop", "first_time", nulls_last=True)
    groups = ordered.group_by("machine", "crop", maintain_order=True)
    return [((str(machine), crop), jobs) for (machine, crop), jobs in groups]


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(float(seconds), UTC)


def _gain(log: float, error: float) -> dict[str, float]:
    ends = [log, log - REACH_95 * error, log + REACH_95 * error]
    return dict(zip(("gain", "gain_low", "gain_high"), np.exp(ends).tolist(), strict=True))


def _together(mine: Sequence[dict[str, Any]]) -> dict[str, Any]:
    seconds = np.array([one["seconds"] for one in mine], dtype=float)

    def mean(name: str) -> float | None:
        known = [(w, one[name]) for w, one in zip(seconds, mine, strict=True) if one[name] is not None]
        return float(np.average([v for _, v in known], weights=[w for w, _ in known])) if known else None

    found = {n: mean(n) for n in ("zero_share", "zero_by_counting", "top_share", "low", "median", "high")}
    steps = [one["step"] for one in mine if one["step"] is not None]
    sloped = [one for one in mine if one["slope"] is not None and one["slope_error"]]
    slope = low = high = None
    if sloped:
        estimates = np.array([one["slope"] for one in sloped])
        variances = np.array([one["slope_error"] ** 2 for one in sloped])
        slope, between = random_effects(estimates, variances)
        half = REACH_95 * float((1 / (variances + between)).sum() ** -0.5)
        low, high = slope - half, slope + half
    return found | {
        "hours": float(seconds.sum() / 3600),
        "step": min(steps) if steps else None,
        "slope": slope,
        "slope_low": low,
        "slope_high": high,
    }


def _against_other(facts: Sequence[dict[str, Any]], place: str) -> float | None:
    """Mean log ratio to the other signal in the later half of the fields less that in the earlier half."""
    other = next(one for one in PLACES if one != place)
    both = [
        one[place]["level"] - one[other]["level"]
        for one in facts
        if place in one and other in one and None not in (one[place]["level"], one[other]["level"])
    ]
    if len(both) < 2:
        return None
    half = len(both) // 2
    return float(np.mean(both[len(both) - half :]) - np.mean(both[:half]))


def _signal_ends(field_jobs: pl.DataFrame) -> dict[tuple[str, str | None], tuple[float, float]]:
    """By machine and crop, low and high of the summed signals, as the sums of those of each sensor."""
    found: dict[tuple[str, str | None], tuple[float, float]] = {}
    for row in known_sensors(field_jobs).iter_rows(named=True):
        key = (row["machine"], row["crop"])
        low, high = found.get(key, (0.0, 0.0))
        found[key] = (low + row["low"], high + row["high"])
    return found
