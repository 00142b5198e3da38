"""Answers that new evidence hardly moved keep their numbers, so that what shows them need not be made again.

What is kept is always compared with the answer of this night, so no number is ever further from it than the
tolerance stated here, however many nights it stays. A range with an end next to zero keeps its verdict with its
numbers: verdicts don't turn over for a thousandth of a percent. A row whose reasons or counts differ is as it is now,
and so is one that can't be answered any more.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import polars as pl
from chaffinch.pipelines.estimate.responses.response_curves import responses_in_order
from chaffinch.pipelines.estimate.results.effects_table import effects_in_order

# Of the half width of a range: how far it, its ends or its middle may have moved.
OF_HALF_WIDTH = 0.1
# A tenth of a half width is a fifth of a standard deviation, which moves a chance near one half by 0.08.
OF_A_CHANCE = 0.05
OF_A_SHARE = 0.02
OF_A_NUMBER = 0.002
# Of the slope of a loss curve, d ln(loss share) / d ln(feed rate), which is about one: time saved moves by 2 %.
OF_A_SLOPE = 0.02

_EFFECT_KEY = (
    "scope",
    "machine",
    "field",
    "crop",
    "time",
    "setting",
    "from_value",
    "to_value",
    "outcome",
    "trial",
)
_CURVE = ("machine", "crop", "setting", "outcome")
# Kept with the numbers that are shown: how many changes an answer uses and when it was computed; for all machines
# together also the amount of work.
_SAID_OF_THEM = {"shared_with", "placebos", "computed_at"}
_SAID_OF_A_SEASON = {"adjustments_pooled", "readings_before", "readings_after"}
_LOSS_CURVE_KEY = ("machine", "field", "crop", "first_time")


def settled_effects(
    before: pl.DataFrame, after: pl.DataFrame, unchanged: Collection[str] = ()
) -> pl.DataFrame:
    """Rows of ``effects`` after this night. unchanged : machines whose rows stay and are not in
    ``after``, as those of all machines together."""
    stay, before = _parted(before, unchanged)
    ranges = [
        ("log_ratio", "log_ratio_low", "log_ratio_high"),
        ("alone_log_ratio", "alone_log_ratio_low", "alone_log_ratio_high"),
        ("absolute", "absolute_low", "absolute_high"),
        ("next_field_percent_low", "next_field_percent_high"),
        ("clock_off_s", "clock_off_low_s", "clock_off_high_s"),
    ]
    near = [_near_range(names) for names in ranges]
    near.append(_near("chance_less", pl.lit(OF_A_CHANCE)))
    turned = pl.col("verdict") != pl.col("verdict_now")
    answered = (pl.col("verdict") != "cannot tell") & (pl.col("verdict_now") != "cannot tell")
    # Only a verdict of less or more has a step that would explain it away.
    near += [turned | _near("hidden_step_share", pl.lit(OF_A_SHARE)), _near_number("plain_percent")]
    near.append(~turned | answered)
    follow = {f"{alone}percent{end}" for alone in ("", "alone_") for end in ("", "_low", "_high")}
    follow |= {"verdict", "hidden_step_percent", "hidden_step_share", "chance_less", "plain_percent"}
    moved = {*follow, *(name for names in ranges for name in names)}
    found = _settled(before, after, _EFFECT_KEY, near, moved | _SAID_OF_THEM)
    return effects_in_order(pl.concat([found, stay])) if stay.height else found


def settled_responses(
    before: pl.DataFrame, after: pl.DataFrame, unchanged: Collection[str] = ()
) -> pl.DataFrame:
    """Rows of ``responses`` after this night; a curve stays as a whole or not at all. unchanged : as of effects."""
    stay, before = _parted(before, unchanged)
    ranges = [("log_ratio", "log_ratio_low", "log_ratio_high"), ("absolute", "absolute_low", "absolute_high")]
    # At the value in use the range is a point, zero but for rounding.
    in_use = pl.col("value") == pl.col("value_in_use")
    near = [in_use | _near_range(names) for names in ranges]
    widest = ((pl.col("log_ratio_high_now") - pl.col("log_ratio_low_now")) / 2).max().over(_CURVE)
    near += [
        _near("chance_best", pl.lit(OF_A_CHANCE)),
        _near("expected_regret", OF_HALF_WIDTH * widest),
    ]
    moved = {*(name for names in ranges for name in names), "chance_best", "expected_regret"}
    found = _settled(before, after, (*_CURVE, "value"), near, moved, together=_CURVE)
    return responses_in_order(pl.concat([found, stay])) if stay.height else found


def _parted(before: pl.DataFrame, unchanged: Collection[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows that stay, and the others."""
    stays = pl.col("machine").is_null() | pl.col("machine").is_in(list(unchanged))
    return (before.filter(stays), before.filter(~stays)) if unchanged else (before.clear(), before)


def settled_loss_curves(before: pl.DataFrame, after: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``loss_curves`` after this night."""
    by_errors = [
        _near("slope", pl.max_horizontal(OF_HALF_WIDTH * pl.col("slope_error_now"), OF_A_SLOPE)),
        _near("slope_error", OF_HALF_WIDTH * pl.col("slope_error_now")),
        _near("loss_log_error", OF_HALF_WIDTH * pl.col("loss_log_error_now")),
        _near("loss_kg_ha", OF_HALF_WIDTH * pl.col("loss_log_error_now") * pl.col("loss_kg_ha_now")),
    ]
    numbers = ("hours", "area_ha_h", "feed_t_h", "feed_low_t_h", "feed_high_t_h", "yield_t_ha")
    moved = {"slope", "slope_error", "loss_log_error", "loss_kg_ha", *numbers}
    return _settled(before, after, _LOSS_CURVE_KEY, [*by_errors, *map(_near_number, numbers)], moved)


def _settled(
    before: pl.DataFrame,
    after: pl.DataFrame,
    key: Sequence[str],
    near: Sequence[pl.Expr],
    moved: set[str],
    together: Sequence[str] = (),
) -> pl.DataFrame:
    """``after`` with the rows of ``before`` that are ``near`` and equal in all columns but those that ``moved``.

    together : columns of groups of which either all rows stay or none.
    """
    once = before.filter(pl.struct(key).is_unique()) if before.height else before
    now = after.with_row_index("_at")
    now = now.filter(pl.struct(key).is_unique()) if now.height else now
    both = once.join(now, on=key, suffix="_now", nulls_equal=True)
    others = [name for name in after.columns if name not in (*key, *moved)]
    same = [
        pl.col(name).eq_missing(pl.col(f"{name}_now"))
        | (pl.col("machine").is_null() if name in _SAID_OF_A_SEASON else pl.lit(False))
        for name in others
    ]
    stays = pl.all_horizontal(*near, *same).alias("_stays")
    both = both.with_columns(stays)
    if together:
        whole = after.group_by(together).len("_whole")
        both = both.join(whole, on=together, how="left", nulls_equal=True).filter(
            (pl.col("_stays").all() & (pl.len() == pl.col("_whole"))).over(together)
        )
    kept = both.filter("_stays").select("_at", *after.columns)
    new = after.with_row_index("_at").filter(~pl.col("_at").is_in(kept["_at"].implode()))
    return pl.concat([kept.with_columns(pl.col("_at").cast(new["_at"].dtype)), new]).sort("_at").drop("_at")


def _near(name: str, within: pl.Expr) -> pl.Expr:
    """Whether a number moved by no more than ``within``; unknown ones are near unknown ones."""
    apart = (pl.col(name) - pl.col(f"{name}_now")).abs() <= within
    return (pl.col(name).is_null() & pl.col(f"{name}_now").is_null()) | apart.fill_null(False)


def _near_number(name: str) -> pl.Expr:
    return _near(name, OF_A_NUMBER * (pl.col(f"{name}_now").abs() + 1))


def _near_range(names: Sequence[str]) -> pl.Expr:
    """names : of the numbers of a range, the last two its ends."""
    half = (pl.col(f"{names[-1]}_now") - pl.col(f"{names[-2]}_now")).abs() / 2
    return pl.all_horizontal(_near(name, OF_HALF_WIDTH * half) for name in names)


def moved_by(before: pl.DataFrame, after: pl.DataFrame) -> tuple[float, float]:
    """How far log ratios of the same rows of ``effects`` are apart, in half widths of their ranges: the middle one,
    and the one that 99 of 100 do not exceed."""
    both = before.join(after, on=_EFFECT_KEY, suffix="_now", nulls_equal=True)
    half = (pl.col("log_ratio_high") - pl.col("log_ratio_low")) / 2
    apart = both.select((pl.col("log_ratio") - pl.col("log_ratio_now")).abs() / half).to_series().drop_nulls()
    middle, far = apart.quantile(0.5), apart.quantile(0.99)
    return (float(middle), float(far)) if middle is not None and far is not None else (0.0, 0.0)
