"""The flow sensor's own noise in a real yield log: white, so that differences of every order tell the same of it.

The log is that of ``test_real_corn_log.py``, where its source stands.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from builders.places import corn_log
from chaffinch.pipelines.estimate.model import feed_noise

INTERVAL_S = 3.0


def test_differences_of_every_order_find_the_same_noise(monkeypatch):
    """Records 3 s apart, averaged over them: 3.6 % a record, within 3 % at orders from 3 to 8.

    Were part of it the crop's, low orders would find more than high ones, as the first does.
    """
    log = pl.read_csv(corn_log(), separator="\t").filter(pl.col("mass") > 10)
    flow = log["mass"].cast(pl.Float64).to_numpy()
    runs = np.cumsum(np.diff(log["time"].to_numpy(), prepend=0) > 1.5 * INTERVAL_S)
    found = []
    for order in (1, 3, 4, 5, 6, 7, 8):
        monkeypatch.setattr(feed_noise, "ORDER", order)
        found.append(np.sqrt(feed_noise.second_variance(flow, runs, INTERVAL_S) / INTERVAL_S))
    assert found[0] > 1.08 * found[3]
    np.testing.assert_allclose(found[1:], 0.0363, rtol=0.03)
