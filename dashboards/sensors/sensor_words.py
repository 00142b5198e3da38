"""What is known of loss sensors, in sentences and cells."""

from __future__ import annotations

import math
from typing import Any

from chaffinch.dashboards.words.terms import (
    NARROW,
    OUTCOME_WORDS,
    day,
    reason_sentence,
    share_in_words,
    significant,
)
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.estimate.sensors.known_sensors import POSSIBLE_SLOPES

# Two signals that moved apart by more than twofold between the halves of the work are named (common practice, no
# source): settings and crops move them by less.
MOVED_LOG = math.log(2)
# Slopes of weighed loss on signal between these are those of a signal that may be proportional.
NEARLY_ONE = (0.75, 1.25)
SMALL_DRIFT_LOG = 0.01


def weight_sentences(weight: dict[str, Any], scale: tuple[float, str], zone_name: str | None) -> list[str]:
    """What loss checks say of the two signals together: gain, proportion, drift, and what to weigh next.

    weight : a row of ``known_sensors.SIGNAL_WEIGHTS``. scale : from kg/s to the shown unit of loss, and its name.
    """
    factor, unit = scale
    size, low, high = (f"{weight[name] * factor:.3g}" for name in ("gain", "gain_low", "gain_high"))
    checks = counted(weight["checks"], "loss check")
    said = [
        f"{checks}, the last on {day(weight['last_check'], zone_name)}: one unit of both signals together means "
        f"{size}{NARROW}{unit} of lost grain (95{NARROW}% range {low} to {high}).",
        _proportion(weight),
    ]
    if weight["checks"] >= 3:
        drift = weight["drift_log_per_day"]
        said.append(
            "From check to check the gain hardly drifts."
            if drift < SMALL_DRIFT_LOG
            else f"From check to check the gain drifts by about {100 * math.expm1(drift):.0f}{NARROW}% in a day, "
            f"and a single check is right within about {100 * math.expm1(weight['check_error_log']):.0f}{NARROW}%."
        )
    return said


def _proportion(weight: dict[str, Any]) -> str:
    settle = weight["checks_to_settle"]
    if weight["slope"] is None:
        return (
            "It is not known whether the signal is proportional to the loss: that takes at least three loss checks, "
            "some at a low and some at a high loss."
        )
    low, high = weight["slope_low"], weight["slope_high"]
    power = (
        f"the power {significant(weight['slope'])} ({significant(low)} to {significant(high)}) of the signal"
    )
    if low > 1 or high < 1:
        what = "rises less than the loss" if low > 1 else "rises more than the loss"
        text = f"Weighed loss rises as {power}: the signal {what}. Effects are corrected for it."
    elif low >= NEARLY_ONE[0] and high <= NEARLY_ONE[1]:
        text = f"Weighed loss rises as {power}: the signal is proportional to the loss."
    else:
        text = f"Weighed loss rises as {power}: the signal may or may not be proportional to the loss."
    if settle is None:
        return f"{text} The machine's signals vary too little for checks to settle it."
    if settle:
        text += (
            f" {counted(settle, 'more loss check')} would settle it, half of them where loss is low and half where "
            "it is high (drive slower and faster)."
        )
    return text


def sensor_cells(row: dict[str, Any]) -> dict[str, str]:
    """Cells of one sensor; empty where unknown. row : of ``known_sensors.KNOWN_SENSORS``."""
    return {
        "sensor": OUTCOME_WORDS[row["sensor"]],
        "usual": f"{significant(row['median'], 3)} ({significant(row['low'], 3)} to {significant(row['high'], 3)})",
        "zeros": _percent(row["zero_share"]),
        "at_top": _percent(row["top_share"]),
        "step": "" if row["step"] is None else f"{row['step']:.3g}",
        "slope": ""
        if row["slope"] is None
        else f"{significant(row['slope'])} ({significant(row['slope_low'])} to {significant(row['slope_high'])})",
        "hours": f"{significant(row['hours'])}{NARROW}h",
    }


def sensor_remarks(row: dict[str, Any]) -> list[str]:
    """What is wrong with one sensor, as sentences. row : of ``known_sensors.KNOWN_SENSORS``."""
    name = OUTCOME_WORDS[row["sensor"]].capitalize()
    said = [f"{name}: {reason_sentence(code)}" for code in row["flaws"]]
    low, high = POSSIBLE_SLOPES
    if row["slope"] is not None and (row["slope_high"] < low or row["slope_low"] > high):
        way = "hardly rises" if row["slope_high"] < low else "rises more steeply than a loss can"
        said.append(
            f"{name}: the signal {way} with the feed rate (slope {significant(row['slope'])}; a loss lies between "
            f"{low:g} and {high:g}). Check the sensor, its wiring and its sensitivity."
        )
    moved = row["against_other_log"]
    if moved is not None and abs(moved) > MOVED_LOG and row["sensor"] == "separation_loss":
        change = 100 * math.expm1(abs(moved))
        way = "rose" if moved > 0 else "fell"
        said.append(
            f"Against the cleaning loss signal the separation loss signal {way} by {change:.0f}{NARROW}% from the "
            "first half of the fields to the second: crop or settings may have done that, or a sensor that drifts."
        )
    return said


def _percent(share: float | None) -> str:
    return "" if share is None else share_in_words(share)
