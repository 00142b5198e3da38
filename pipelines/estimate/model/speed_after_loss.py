"""Whether a driver went slower just after more was lost than the feed rate explains."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.estimate.data.bins import Binned
from numpy.typing import NDArray

# Loss of so many bins before a bin, and speed within so long at unchanged settings.
PAST_BINS, BLOCK_S = 3, 600.0


def speed_after_loss(binned: Binned, use: Flags, rest: Array) -> tuple[float, float]:
    """Sum over bins of speed times the loss just before, both within ten minutes, and the sum of its squares.

    use : (N,) bins that know the loss. rest : (n,) what its regression leaves of its log in them. The ratio of the
    first sum to the root of the second is a score.
    """
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
