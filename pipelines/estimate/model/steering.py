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
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import LOSSES
from chaffinch.pipelines.estimate.model.season import SeasonOutcome

# A driver gets used to another loss on the monitor within so long.
USED_TO_IT_S = 600.0
# Score of slower driving after loss that is clear of a machine.
CLEAR_STEERING = -5.0


def machines_that_steer(season: Mapping[str, SeasonOutcome]) -> set[str]:
    """Machines that clearly went slower just after either loss was higher than the feed rate explains."""
    found: set[str] = set()
    for loss in LOSSES:
        parts: dict[str, list[tuple[float, float]]] = defaultdict(list)
        for fitted in season[loss].fields if loss in season else []:
            if fitted.witness is not None:
                parts[fitted.binned.machine].append(fitted.witness.steering)
        for machine, some in parts.items():
            along, square = np.array(some).sum(axis=0)
            if square > 0 and along / np.sqrt(square) < CLEAR_STEERING:
                found.add(machine)
    return found


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
