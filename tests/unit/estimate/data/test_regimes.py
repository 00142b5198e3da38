"""Regimes of a field: the way of a pass, headlands, dew, and changes that are made as one begins."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.agronomy.sun import sun_height_deg
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.data.design import build_design
from chaffinch.pipelines.estimate.data.regimes import (
    as_dew_comes,
    coincides,
    dew_of,
    regime_starts,
    ways_of,
)

PASS_S, TURN_S = 200, 30
START_S = datetime(2026, 7, 20, 10, tzinfo=UTC).timestamp()


def driven(headlands: int, passes: int = 24, change_s: float = 3000.0, sun: float | None = 50.0) -> Binned:
    """Passes north and south 9 m apart, the first ``headlands`` of them east and west; bins of 10 s, 2 m/s."""
    along = 20.0 * np.arange(PASS_S // 10)
    east, north, time_s, since = [], [], [], []
    for number in range(passes):
        run = along if number % 2 == 0 else along[::-1]
        across = np.full(run.size, 9.0 * number)
        east.append(run if number < headlands else across)
        north.append(-across if number < headlands else run)
        began = START_S + number * (PASS_S + TURN_S)
        time_s.append(began + 5.0 + 10.0 * np.arange(run.size))
        since.append(5.0 + 10.0 * np.arange(run.size))
    time, n = np.concatenate(time_s), passes * along.size
    rng = np.random.default_rng(3)
    at = START_S + change_s
    rows = pl.DataFrame({"time": [datetime.fromtimestamp(at, UTC)], "setting": ["fan_speed"]})
    pitch = np.sin(np.arange(n) / 9.0)
    return Binned(
        machine="A", field="Mill", crop="wheat", changes=[Change(at, at, rows)], time_s=time,
        seconds=np.full(n, 10.0), step=(time > at).astype(int), since_start_s=np.concatenate(since),
        until_end_s=np.full(n, 50.0), feed_t_h=30.0 + rng.standard_normal(n), moisture_pct=np.full(n, np.nan),
        roll_deg=np.cos(np.arange(n) / 7.0), pitch_deg=pitch, east_m=np.concatenate(east),
        north_m=np.concatenate(north), area_m2_s=np.full(n, 18.0), loss_signal=np.full(n, 30.0),
        outcomes={"cleaning_loss": rng.standard_normal(n)}, flaws={}, calibrated=False,
        sun_deg=None if sun is None else np.full(n, sun),
    )  # fmt: skip


def test_each_pass_goes_one_way_or_the_other():
    ways = ways_of(driven(0))
    of_pass = ways.way.reshape(24, -1)
    assert (of_pass == of_pass[:, :1]).all()
    assert set(np.abs(of_pass[:, 0])) == {1.0} and (of_pass[::2, 0] == -of_pass[1::2, 0]).all()
    assert not ways.headland.any()


def test_headlands_run_across_the_rest_and_end_once():
    field = driven(6)
    ways = ways_of(field)
    assert ways.headland.reshape(24, -1).all(axis=1).tolist() == [True] * 6 + [False] * 18
    (start,) = regime_starts(field, ways)
    assert start == pytest.approx(START_S + 6 * (PASS_S + TURN_S) + 5.0)


def test_one_pass_across_is_no_regime():
    field = driven(1)
    assert regime_starts(field, ways_of(field)) == ()


@pytest.mark.parametrize(
    ("minutes_off", "expected"), [(-12, False), (-8, True), (0, True), (8, True), (12, False)]
)
def test_a_change_within_ten_minutes_of_the_end_of_the_headlands_coincides(minutes_off, expected):
    ended_s = 6 * (PASS_S + TURN_S) + 5.0
    field = driven(6, change_s=ended_s + 60.0 * minutes_off)
    assert coincides(field, 0, regime_starts(field, ways_of(field))) is expected


def test_without_positions_nothing_is_told_apart():
    field = driven(6)
    nowhere = Binned(
        **{name: getattr(field, name) for name in field.__slots__} | {"east_m": np.full(480, np.nan)}
    )
    ways = ways_of(nowhere)
    assert not ways.headland.any() and not ways.way.any()


def test_dew_comes_as_the_sun_sinks():
    assert dew_of(driven(0, sun=40.0)).max() == 0.0
    assert dew_of(driven(0, sun=6.0))[0] == pytest.approx(0.5)
    assert dew_of(driven(0, sun=-3.0))[0] == 1.0
    assert dew_of(driven(0, sun=None)).max() == 0.0
    assert as_dew_comes(driven(0, sun=6.0), 0) and not as_dew_comes(driven(0, sun=40.0), 0)
    assert not as_dew_comes(driven(0, sun=None), 0)


def test_pitch_roll_way_and_headlands_are_in_the_regression_of_a_loss():
    design = build_design(driven(6), "cleaning_loss")
    assert design is not None
    assert {"pitch", "roll", "roll squared", "way", "headland"} <= set(design.names)
    # Dew that is the same all along is no covariate.
    assert "dew" not in design.names


def test_the_sun_sets_and_culminates_as_almanacs_have_it():
    """London (51.5 N, 0.13 W): sunset on 21 June at 20:21 UTC, when the centre is 50 arc minutes below the horizon
    (the almanac's definition); noon heights are 90 - latitude +- 23.44 at the solstices. Times from memory."""
    at = [datetime(2026, 6, 21, 20, 21, tzinfo=UTC), datetime(2026, 6, 21, 12, 2, tzinfo=UTC)]
    at.append(datetime(2026, 12, 21, 11, 58, tzinfo=UTC))
    heights = sun_height_deg(np.array([moment.timestamp() for moment in at]), 51.5, -0.13)
    assert heights == pytest.approx([-50 / 60, 90 - 51.5 + 23.44, 90 - 51.5 - 23.44], abs=0.15)
