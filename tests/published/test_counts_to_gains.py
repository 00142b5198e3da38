"""Published pan counts as rows of the table of loss checks, to what a unit of loss signal weighs and an effect is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from builders.us_units import ACRE_HA, FOOT_M, FT2_M2, bu_ac, kernel_mass_g
from chaffinch.pipelines.agronomy.exact import POUND_KG
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.pipelines.estimate.results.calibration import calibrate, check_pairs
from chaffinch.schemas.tables import tables

START = datetime(2026, 7, 20, 10, tzinfo=UTC)
SPEED_M_S, CUT_M = 1.5, 30 * FOOT_M


def checks(*rows: dict) -> pl.DataFrame:
    """The table as it is read from a list of checks, one a quarter of an hour, with what each says."""
    whole = [
        {"time": START + timedelta(minutes=15 * (i + 1)), "machine": "A", "field": "F", **row}
        for i, row in enumerate(rows)
    ]
    schema = tables()["loss_checks"].polars_schema()
    names = dict.fromkeys(name for row in whole for name in row)
    frame = pl.DataFrame(whole, schema={name: schema[name] for name in names})
    return loss_check_kg_ha(tables()["loss_checks"].conform(frame))


def work(signal: np.ndarray) -> pl.DataFrame:
    """Readings after ``mark_work``: steady cutting, the summed signal as given, (seconds,)."""
    n = signal.size
    moment = [START + timedelta(seconds=i) for i in range(n)]
    return pl.DataFrame(
        {
            "time": pl.Series(moment, dtype=pl.Datetime("us", "UTC")),
            "separation_loss_aligned": 0.6 * signal,
            "cleaning_loss_aligned": 0.4 * signal,
            "speed_m_s": np.full(n, SPEED_M_S),
            "working_width_m": np.full(n, CUT_M),
            "pass_number": np.ones(n, dtype=int),
        }
    )


@pytest.mark.parametrize(
    ("bushel_lb", "per_ft2", "source"),
    [
        (56, 2, "corn: Univ. of Missouri Extension G1290, 1993; Iowa State; K-State; Univ. of Georgia"),
        (60, 4, "soybean: Univ. of Missouri G1280; Iowa State 2017; Univ. of Nebraska 2022"),
        (60, 20, "hard red spring wheat: Minnesota and North Dakota bulletin, June 2003"),
        (48, 14, "barley: Minnesota and North Dakota bulletin, June 2003"),
        (32, 10, "oats: Minnesota and North Dakota bulletin, June 2003"),
    ],
)
def test_so_many_kernels_on_a_square_foot_are_a_bushel_per_acre_of_signal(bushel_lb, per_ft2, source):
    """Ten frames of a square foot. By the counted bushel a unit of a signal of 20 weighs so many kg/s."""
    mass_g = kernel_mass_g(bushel_lb, per_ft2)
    row = {
        "kernels": 10.0 * per_ft2,
        "frame_area_m2": FT2_M2,
        "frames": 10.0,
        "thousand_kernel_mass_g": mass_g,
    }
    table = checks(row)
    assert bu_ac(table["machine_loss_kg_ha"][0], bushel_lb) == pytest.approx(1.0)
    # Poisson: the error is the share 1 / sqrt(kernels) of the loss.
    share = table["standard_error_kg_ha"][0] / table["machine_loss_kg_ha"][0]
    assert share == pytest.approx((10 * per_ft2) ** -0.5)
    gain = calibrate(check_pairs(work(np.full(1800, 20.0)), table, 8.0))
    assert gain is not None
    # One bushel of so many pounds on each acre cut in a second.
    kg_s = bushel_lb * POUND_KG * SPEED_M_S * CUT_M / (ACRE_HA * 1e4)
    assert np.exp(gain.log_kg_s_per_unit) == pytest.approx(kg_s / 20.0)


def test_the_canola_pan_before_and_after_a_change():
    """Canola Council of Canada, Canola Watch, 23 Aug 2017: 30 ft cut, 5 ft discharge, factor 6; 3 g on a square foot
    are 48.0 lb/ac (arithmetic). A pan of half of that after a change: the log ratio is ln 2, and where the signal
    halves as well the gain is the same on both sides."""
    pan = {"frame_area_m2": FT2_M2, "frames": 1.0, "discharge_width_m": 5 * FOOT_M, "cut_width_m": CUT_M}
    table = checks({"sample_mass_g": 3.0, **pan}, {"sample_mass_g": 1.5, **pan})
    pounds = table["machine_loss_kg_ha"].to_numpy() * ACRE_HA / POUND_KG
    np.testing.assert_allclose(pounds, [48.0, 24.0], atol=0.05)
    signal = np.where(np.arange(2400) < 1300, 40.0, 20.0)
    pairs = check_pairs(work(signal), table, 8.0)
    assert np.log(pairs[0, 0] / pairs[1, 0]) == pytest.approx(np.log(2))
    assert pairs[0, 0] / pairs[0, 1] == pytest.approx(pairs[1, 0] / pairs[1, 1])
