"""The feed rate as crop enters, where the flow sensor shows it smeared over seconds.

Threshing, elevator and sensor mix the crop of several seconds. Where the driver changes speed the loss follows at
once and the flow with a lag, and where the flow varies less than the feed does, loss curves seem steeper than they
are. How much area is cut each second is known without a lag: what the flow shows is taken for the yield of an area
smeared as it was, and that yield for the one of the area being cut.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.work import cut_width_m, seconds_of
from chaffinch.pipelines.work.delays.travel import smeared
from chaffinch.pipelines.work.series import per_second, without_nights
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Beyond this factor the area says more of a gap in the log, or of the end of a pass, than of the feed rate.
FURTHEST = 1.5


def with_sharp_feed(marked: pl.DataFrame, flow_smear_s: float, loss_smear_s: float) -> pl.DataFrame:
    """Readings after ``mark_work`` with ``feed_rate_t_h`` as smeared as the losses are.

    flow_smear_s, loss_smear_s : time constants of the first-order lags in flow and losses. The feed rate is
    multiplied by the area that the losses show over the area that the flow shows.
    """
    clock = without_nights(seconds_of(marked["time"]))
    if clock.size < 2:
        return marked
    cut = marked["pass_number"].is_not_null().to_numpy()
    speed = marked["speed_m_s"].cast(pl.Float64).to_numpy()
    area = np.nan_to_num(per_second(clock, np.where(cut, np.nan_to_num(speed * cut_width_m(marked)), 0.0)))
    by_losses, by_flow = (_shown(clock, area, smear_s) for smear_s in (loss_smear_s, flow_smear_s))
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(cut & (by_losses > 0) & (by_flow > 0), by_losses / by_flow, 1.0)
    factor = np.clip(factor, 1 / FURTHEST, FURTHEST)
    return marked.with_columns(pl.col("feed_rate_t_h") * pl.Series(factor))


def _shown(clock: Array, area: Array, smear_s: float) -> Array:
    """``area`` (per second) as a sensor of that lag shows it at the moments ``clock``. Readings are aligned by the
    middle of the response, so that it is looked up as much later."""
    return np.interp(clock + smear_s, np.arange(area.size) + clock[0], smeared(area, smear_s))
