"""The feed rate where the flow sensor shows it smeared: by algebra on a made-up drive."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.flow_lag import with_sharp_feed
from chaffinch.pipelines.work.delays.travel import smeared

SECONDS = 1200
WIDTH_M, YIELD_KG_M2 = 10.0, 0.8


def drive(speed_m_s: np.ndarray, smear_s: float, every: int = 1) -> pl.DataFrame:
    """One pass over an even crop, its flow smeared and then moved back by the middle of the response, as logged
    ``every`` so many seconds."""
    mass_t_h = 3.6 * speed_m_s * WIDTH_M * YIELD_KG_M2
    second = np.arange(SECONDS)
    flow = np.interp(second + smear_s, second, smeared(mass_t_h, smear_s))
    start = datetime(2026, 8, 3, 8, tzinfo=UTC)
    return pl.DataFrame(
        {
            "time": [start + timedelta(seconds=int(s)) for s in second],
            "pass_number": np.ones(SECONDS, dtype=np.int32),
            "speed_m_s": speed_m_s,
            "working_width_m": np.full(SECONDS, WIDTH_M),
            "feed_rate_t_h": flow,
        }
    ).gather_every(every)


SPEED_M_S = 1.5 + 0.4 * (np.arange(SECONDS) % 100 >= 50)


def away_from_true(every: int) -> tuple[float, float]:
    """Mean relative error of the feed rate as told and as logged; losses lag by a thousandth of a second."""
    marked = drive(SPEED_M_S, 8.0, every)
    told = with_sharp_feed(marked, 8.0, 1e-3)
    true = 3.6 * SPEED_M_S[::every] * WIDTH_M * YIELD_KG_M2
    inside = slice(100 // every, 1100 // every)
    one, other = (np.abs(f["feed_rate_t_h"].to_numpy() / true - 1)[inside].mean() for f in (told, marked))
    return float(one), float(other)


def test_over_an_even_crop_it_is_what_is_being_cut():
    """Speed steps by a quarter every 50 s: looked up a thousandth of a second late, 5e-6 on average."""
    told, logged = away_from_true(every=1)
    assert told < 1e-5
    assert logged > 0.02


def test_of_one_row_in_five_seconds_it_errs_by_less_than_half_of_what_it_did():
    told, logged = away_from_true(every=5)
    assert told < 0.5 * logged


def test_a_flow_smeared_as_the_losses_are_stays_as_it_is():
    marked = drive(SPEED_M_S, 3.0)
    assert with_sharp_feed(marked, 3.0, 3.0)["feed_rate_t_h"].to_list() == pytest.approx(
        marked["feed_rate_t_h"].to_list()
    )


def test_what_is_not_cut_in_a_pass_is_left_alone():
    turning = drive(SPEED_M_S, 8.0).with_columns(pass_number=pl.lit(None, dtype=pl.Int32))
    assert with_sharp_feed(turning, 8.0, 2.0).equals(turning)
