"""Drivers who steer by the loss monitor: slower where it shows more. Feed rate then answers to loss.

What a feed rate does to the loss can't be read off speeds that the loss itself decided: a stretch of high loss is
driven slowly, so that loss seems to rise less with the feed rate than it does, and a change of loss is given in part
to the speed that followed it. The yield of the ground does not respond to the loss. So the feed rate of such a
machine becomes what the yield and the changes of settings predict of it (two-stage least squares: Wooldridge 2010,
Econometric Analysis of Cross Section and Panel Data, 2nd ed., ch. 5).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import LOSSES
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome, whole_design
from numpy.typing import NDArray

# A driver gets used to another loss on the monitor within so long.
USED_TO_IT_S = 600.0
# Loss of so many bins before a bin, and speed within so long at unchanged settings.
PAST_BINS, BLOCK_S = 3, 600.0
# Score of slower driving after loss that is clear of a machine.
CLEAR_STEERING = -5.0


def machines_that_steer(season: Mapping[str, SeasonOutcome]) -> set[str]:
    """Machines that clearly went slower just after either loss was higher than the feed rate explains."""
    found: set[str] = set()
    for loss in LOSSES:
        parts: dict[str, list[tuple[float, float]]] = defaultdict(list)
        for fitted in season[loss].fields if loss in season else []:
            parts[fitted.binned.machine].append(speed_after_loss(fitted))
        for machine, some in parts.items():
            along, square = np.array(some).sum(axis=0)
            if square > 0 and along / np.sqrt(square) < CLEAR_STEERING:
                found.add(machine)
    return found


def speed_after_loss(fitted: FieldOutcome) -> tuple[float, float]:
    """Sum over bins of speed times the loss just before, both within ten minutes, and the sum of its squares.

    The loss is what its regression leaves of it. The ratio of the first to the root of the second is a score.
    """
    if (design := whole_design(fitted)) is None:
        return 0.0, 0.0
    binned, use = fitted.binned, design.use
    rest = binned.outcomes[fitted.outcome][use] - design.columns @ fitted.fit.coefficients
    total = np.concatenate([[0.0], np.cumsum(rest)])
    now = np.arange(PAST_BINS, rest.size)
    past = (total[now] - total[now - PAST_BINS]) / PAST_BINS
    area = binned.area_m2_s[use][now]
    steady = (area > 0) & np.isfinite(area)
    steady &= binned.time_s[use][now] - binned.time_s[use][now - PAST_BINS] < 15.0 * PAST_BINS
    if steady.sum() < 10 * PAST_BINS:
        return 0.0, 0.0
    block = np.floor(binned.time_s[use][now][steady] / BLOCK_S).astype(np.int64)
    groups = np.unique(np.column_stack([block, binned.step[use][now][steady]]), axis=0, return_inverse=True)[
        1
    ]
    speed, before = (_within_groups(v, groups.ravel()) for v in (np.log(area[steady]), past[steady]))
    # Bins of a block share what is slow in both, so that blocks, not bins, are independent.
    scores = np.bincount(groups, speed * before)
    return float(scores.sum()), float(scores @ scores)


def _within_groups(values: Array, groups: NDArray[np.int_]) -> Array:
    count = np.bincount(groups)
    return np.asarray(values - (np.bincount(groups, values) / np.maximum(count, 1))[groups])


def feed_by_ground(binned: Binned) -> Binned:
    """The field job with the feed rate that the yield of the ground and the changes of settings predict, and its
    losses marked ``steered_by_loss``."""
    feed, area = binned.feed_t_h, binned.area_m2_s
    known = (feed > 0) & (area > 0)
    if known.sum() < 30:
        return binned
    log_feed, log_yield = np.log(feed[known]), np.log(feed[known] / area[known])
    steps = (binned.step[known][:, None] > np.arange(binned.step.max())[None, :]).astype(float)
    # After a change the driver goes faster or slower for a while: part of what the change did to the feed rate.
    since_s = binned.time_s[known][:, None] - np.array([c.last_s for c in binned.changes[: steps.shape[1]]])
    fading = steps * np.exp(-np.maximum(since_s, 0.0) / USED_TO_IT_S)
    ends = [np.exp(-binned.since_start_s[known] / 10.0), np.exp(-binned.until_end_s[known] / 5.0)]
    design = np.column_stack(
        [np.ones(log_yield.size), log_yield, log_yield**2, steps, fading, *np.nan_to_num(ends)]
    )
    fitted, *_ = np.linalg.lstsq(design, log_feed, rcond=None)
    predicted = feed.copy()
    predicted[known] = np.exp(design @ fitted)
    said = {
        loss: [*binned.flaws.get(loss, []), "steered_by_loss"] for loss in LOSSES if loss in binned.outcomes
    }
    return replace(binned, feed_t_h=predicted, flaws={**binned.flaws, **said})
