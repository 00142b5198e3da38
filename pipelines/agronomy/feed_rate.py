"""From grain feed rate to total feed rate, where the straw that goes through the machine can be inferred.

No machine here weighs straw. Without a ratio of straw to grain there is a grain feed rate and nothing else, and
it is called that. "Straw" is all material other than grain.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.agronomy.exact import Numbers


def total_feed_rate_t_h(grain_feed_rate_t_h: Numbers, straw_per_grain: Numbers) -> Numbers:
    """Grain and straw entering the machine [t/h]: grain x (1 + straw per grain, by mass). Exact; broadcasts."""
    return (np.asarray(grain_feed_rate_t_h, dtype=np.float64) * (1.0 + np.asarray(straw_per_grain)))[()]


def straw_per_grain_at(
    straw_per_grain: Numbers, stated_at_height_m: Numbers, cut_height_m: Numbers, crop_height_m: Numbers
) -> Numbers:
    """Straw per grain [kg/kg] of a crop of ``crop_height_m`` when it is cut at ``cut_height_m``.

    ``straw_per_grain`` is the ratio found at the cutting height ``stated_at_height_m``. Straw is taken to be
    spread evenly over the height of the stem, and all grain to be gathered: common practice, no source. That the
    ratio falls as the cut goes up is published (Kim & Gregory, J. Biosystems Eng. 40:314-319, 2015; its
    coefficients were not seen). NaN where a cut is not below the crop's height or a height is below zero.
    """
    crop, stated, cut = (
        np.asarray(h, dtype=np.float64) for h in (crop_height_m, stated_at_height_m, cut_height_m)
    )
    possible = (stated >= 0) & (cut >= 0) & (stated < crop) & (cut < crop)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.asarray(straw_per_grain) * (crop - cut) / (crop - stated)
    return np.where(possible, ratio, np.nan)[()]
