"""How often pooled ranges held the season's true means, and how many of its verdicts were false."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl
from chaffinch.pipelines.prove.scoring import (
    CHANCE,
    RANGE_LEVEL,
    Score,
    binomial_range,
    coverage_limits,
    percent,
)


def score_pooled(pooled: pl.DataFrame) -> list[Score]:
    """By scenario: how often pooled ranges held, and what of the verdicts was false.

    pooled : rows of ``POOLED_SCHEMA``. ``share_false``: of the changes called, those where there is no effect or one
    of the other sign; this is what the verdicts of a season are held to.
    """
    scores = []
    for (scenario,), rows in pooled.group_by("scenario", maintain_order=True):
        held = int(((rows["low"] <= rows["truth"]) & (rows["truth"] <= rows["high"])).sum())
        called = rows.filter(pl.col("verdict").is_in(["less", "more"]))
        false = int(
            called.select((pl.col("truth") == 0) | ((pl.col("verdict") == "more") != (pl.col("truth") > 0)))
            .to_series()
            .sum()
        )
        low, high = binomial_range(held, rows.height)
        next_held = rows["next_field_held"].drop_nulls()
        scores.append(
            {
                "scenario": scenario,
                "rows": rows.height,
                "held": held,
                "coverage": held / rows.height,
                "coverage_low": low,
                "coverage_high": high,
                "mean_width": float((rows["high"] - rows["low"]).sum()) / rows.height,
                "called": called.height,
                "false": false,
                "share_false": false / called.height if called.height else None,
                "next_fields": len(next_held),
                "next_field_coverage": float(next_held.sum()) / len(next_held) if len(next_held) else None,
            }
        )
    return scores


def failings_of_pooled(scores: Sequence[Score]) -> Iterator[str]:
    """A sentence for every scenario whose pooled rows did not hold: ranges too narrow, or too many false verdicts.

    One verdict in twenty may be false; what chance makes of that in all but one case in a thousand is let pass.
    """
    from scipy.stats import binom

    for one in scores:
        name, n = one["scenario"], one["rows"]
        least, _ = coverage_limits(n)
        if one["coverage"] < least:
            held = percent(one["coverage"])
            yield f"{name}: {held} of {n} season ranges hold the true mean, under {percent(least)}."
        if one["false"] > binom.ppf(1 - CHANCE, one["called"], 1 - RANGE_LEVEL):
            yield f"{name}: {one['false']} of {one['called']} season verdicts are false, over one in twenty."
