"""Answers of an oracle that knows between what bounds clocks are off, and not by how much: averaged over that."""

from __future__ import annotations

from typing import NamedTuple

import polars as pl
from chaffinch.pipelines.estimate.results.verdicts import CALLED_AT
from chaffinch.pipelines.prove.window_peers import RANGE_LEVEL, PeerAnswer


class ClockAnswers(NamedTuple):
    """What would be answered, were the clock off by ``clock_off_s``, and the log likelihood of that, but for a
    constant; 0 and 0 where only one clock is thought possible."""

    clock_off_s: float
    log_likelihood: float
    answers: list[PeerAnswer]


ANSWER = ("machine", "field", "change_time", "outcome", "method")
_CLOCK = ("machine", "method", "clock_off_s")


def over_clocks(answers: pl.DataFrame) -> pl.DataFrame:
    """One row for each of ``ANSWER``, from ``answers`` with one for each ``clock_off_s`` that is possible.

    A machine has one clock: the log likelihoods of all its machine-fields and outcomes are added up, each
    clock being as likely beforehand. Ranges are those of a normal with mean and variance of the mixture.
    """
    from scipy.stats import norm

    several = pl.len().over(ANSWER) > 1
    alone = answers.filter(~several).drop("clock_off_s", "log_likelihood")
    many = answers.filter(several)
    if many.is_empty():
        return alone
    many = many.join(_weights(many), on=_CLOCK, how="left", validate="m:1")
    weight = pl.col("weight") / pl.col("weight").sum()
    mean = (weight * pl.col("estimate")).sum()
    z = float(norm.ppf(0.5 + RANGE_LEVEL / 2))
    error = (pl.col("high") - pl.col("low")) / (2 * z)
    half = z * ((weight * (error**2 + pl.col("estimate") ** 2)).sum() - mean**2).sqrt()
    averaged = (
        many.filter(pl.col("estimate").is_finite())
        .group_by(ANSWER, maintain_order=True)
        .agg(mean.alias("estimate"), (mean - half).alias("low"), (mean + half).alias("high"))
        .with_columns(verdict_of(pl.col("low"), pl.col("high")).alias("verdict"))
    )
    return pl.concat([alone, averaged], how="diagonal")


def _weights(answers: pl.DataFrame) -> pl.DataFrame:
    """Odds of each possible clock of a machine, the likeliest one's taken as 1."""
    by_clock = (
        answers.unique([*_CLOCK, "field", "outcome"], maintain_order=True)
        .group_by(_CLOCK, maintain_order=True)
        .agg(pl.col("log_likelihood").sum())
    )
    below = pl.col("log_likelihood") - pl.col("log_likelihood").max().over("machine", "method")
    return by_clock.select(*_CLOCK, below.exp().alias("weight"))


def verdict_of(low: pl.Expr, high: pl.Expr) -> pl.Expr:
    """The verdict that a 95 % range amounts to by the estimator's rule, as if its errors were normal."""
    from scipy.stats import norm

    # How much further a range of the level of verdicts reaches.
    further = float(norm.ppf(1 - CALLED_AT / 2) / norm.ppf(0.5 + RANGE_LEVEL / 2))
    beyond = (further - 1) * (high - low) / 2
    told = pl.when(low - beyond > 0).then(pl.lit("more")).when(high + beyond < 0).then(pl.lit("less"))
    ends = low.is_not_nan() & high.is_not_nan() & (low <= high)
    return pl.when(~ends).then(pl.lit("cannot tell")).otherwise(told.otherwise(pl.lit("no clear change")))
