"""Rows of ``loss_checks`` as kg/ha: each case worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.schemas.tables import tables

MORNING = datetime(2026, 8, 12, 9, 0, tzinfo=UTC)
NEXT_DAY = datetime(2026, 8, 13, 9, 0, tzinfo=UTC)


def _checks(*rows: dict) -> pl.DataFrame:
    whole = [{"time": MORNING, "machine": "Combine A", "field": "Mill Field", **row} for row in rows]
    schema = tables()["loss_checks"].polars_schema()
    return tables()["loss_checks"].conform(
        pl.DataFrame(whole, schema={c: schema[c] for c in dict.fromkeys(k for r in whole for k in r)})
    )


def _count(kernels: float, **more) -> dict:
    return {"kernels": kernels, "frame_area_m2": 0.25, "frames": 4, "thousand_kernel_mass_g": 40.0, **more}


def test_a_stated_loss_stays_and_has_no_error_of_its_own():
    stated = _checks({"machine_loss_kg_ha": 52.0})
    row = loss_check_kg_ha(stated).row(0, named=True)
    assert (row["loss_kg_ha"], row["standard_error_kg_ha"], row["basis"]) == (52.0, None, "as given")


def test_a_count_behind_the_machine():
    # 200 kernels of 40 mg on 4 x 0.25 m2 = 8 g/m2 = 80 kg/ha on the strip; 9 m cut on 3 m:
    # a third of it lost.
    # Poisson: sqrt(200) kernels = 14.14 x 40 mg = 5.657 kg/ha on the strip, 1.886 over the cut.
    row = loss_check_kg_ha(_checks(_count(200, cut_width_m=9.0, discharge_width_m=3.0))).row(0, named=True)
    assert row["loss_kg_ha"] == pytest.approx(80 / 3)
    assert row["machine_loss_kg_ha"] == pytest.approx(80 / 3)
    assert row["standard_error_kg_ha"] == pytest.approx(5.656854 / 3, rel=1e-6)
    assert (row["basis"], row["sentence"]) == ("counted", None)


def test_what_lay_in_the_header_zone_is_taken_off_before_sharing_out():
    # Header zone: 30 and 50 kernels, mean 16 kg/ha; variance (30 + 50) x (0.4 kg/ha)^2 / 4.
    strip = _count(200, cut_width_m=9.0, discharge_width_m=3.0, place="machine")
    header = [_count(30, place="Header"), _count(50, place="header")]
    pre = _count(10, place="pre-harvest")
    out = loss_check_kg_ha(_checks(strip, *header, pre))
    row = out.row(0, named=True)
    assert row["loss_kg_ha"] == pytest.approx((80 - 16) / 3)
    variance = 200 * 0.4**2 + (30 + 50) * 0.4**2 / 4
    assert row["standard_error_kg_ha"] == pytest.approx(variance**0.5 / 3)
    assert out["loss_kg_ha"].to_list()[1:] == pytest.approx([12.0, 20.0, 4.0])
    assert out["machine_loss_kg_ha"].null_count() == 3


def test_pre_harvest_counts_serve_where_no_header_zone_was_counted():
    strip = _count(200, cut_width_m=9.0, discharge_width_m=3.0)
    out = loss_check_kg_ha(_checks(strip, _count(10, place="pre-harvest")))
    assert out["machine_loss_kg_ha"][0] == pytest.approx((80 - 4) / 3)


def test_background_of_another_day_field_or_machine_is_not_used():
    strip = _count(200, cut_width_m=9.0, discharge_width_m=3.0)
    elsewhere = [{"time": NEXT_DAY}, {"field": "Long Field"}, {"machine": "Combine B"}]
    out = loss_check_kg_ha(_checks(strip, *(_count(30, place="header", **e) for e in elsewhere)))
    assert out["machine_loss_kg_ha"][0] == pytest.approx(80 / 3)


def test_places_are_read_as_they_are_written():
    out = loss_check_kg_ha(
        _checks(*(_count(10, place=p) for p in ("Pre_Harvest", "preharvest", " MACHINE ")))
    )
    assert out["loss_kg_ha"].to_list() == pytest.approx([4.0, 4.0, 0.0])
    assert out["machine_loss_kg_ha"].to_list() == [None, None, pytest.approx(0.0)]


def test_a_stated_loss_of_another_place_is_not_the_machines():
    out = loss_check_kg_ha(_checks({"machine_loss_kg_ha": 30.0, "place": "header"}))
    assert out["loss_kg_ha"][0] == 30.0
    assert out["machine_loss_kg_ha"][0] is None


def test_not_a_number_is_missing_and_not_greater_than_everything():
    out = loss_check_kg_ha(_checks(_count(float("nan")), _count(50, thousand_kernel_mass_g=float("nan"))))
    assert out["loss_kg_ha"].null_count() == 2
    assert "lacks the number of kernels" in out["sentence"][0]


def test_divided_pans_hold_discharge_only():
    shares = {"cut_width_m": 9.0, "discharge_width_m": 3.0}
    rows = [_count(120, place="separation", **shares), _count(60, place="cleaning", **shares)]
    out = loss_check_kg_ha(_checks(*rows, _count(30, place="header")))
    assert out["loss_kg_ha"].to_list()[:2] == pytest.approx([48 / 3, 24 / 3])


def test_no_discharge_width_means_spread_and_says_so():
    row = loss_check_kg_ha(_checks(_count(50))).row(0, named=True)
    assert row["loss_kg_ha"] == pytest.approx(20.0)
    assert row["sentence"] == "No discharge width: taken as spread over the whole cut."


def test_an_empty_frame_is_not_certainly_nothing():
    row = loss_check_kg_ha(_checks(_count(0))).row(0, named=True)
    assert row["loss_kg_ha"] == 0.0
    assert row["standard_error_kg_ha"] == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (_count(50, thousand_kernel_mass_g=None), "lacks the mass of 1000 kernels"),
        (_count(50, thousand_kernel_mass_g=0.0), "lacks the mass of 1000 kernels"),
        (_count(50, frame_area_m2=None), "lacks the area of a frame"),
        (_count(None), "lacks the number of kernels"),
        (_count(-3), "lacks the number of kernels"),
        (_count(50, place="tank"), "place is none of machine, separation, cleaning, header, pre-harvest"),
        (_count(50, frames=0), "number of frames is not above zero"),
        (_count(50, discharge_width_m=3.0), "the cut width is not; state both in metres"),
        (_count(50, cut_width_m=9.0, discharge_width_m=0.0), "discharge width is not above zero"),
    ],
)
def test_a_count_that_gives_no_loss_says_why(row, sentence):
    out = loss_check_kg_ha(_checks(row)).row(0, named=True)
    assert out["loss_kg_ha"] is None
    assert out["machine_loss_kg_ha"] is None
    assert out["standard_error_kg_ha"] is None
    assert out["basis"] is None
    assert sentence in out["sentence"]


def test_what_stands_in_for_missing_values():
    bare = _checks({"kernels": 200, "frame_area_m2": 1.0, "discharge_width_m": 3.0})
    out = loss_check_kg_ha(bare, thousand_kernel_mass_g=40.0, cut_width_m=9.0)
    assert out["loss_kg_ha"][0] == pytest.approx(80 / 3)
    assert out["thousand_kernel_mass_g"][0] is None  # the row itself stays as it was read


def test_one_row_out_for_one_in_in_order_with_all_its_columns():
    frame = _checks(_count(5), _count(3), _count(9), {"machine_loss_kg_ha": 1.0})
    out = loss_check_kg_ha(frame)
    assert out["kernels"].to_list() == [5, 3, 9, None]
    assert out.columns[: frame.width] == frame.columns
    assert loss_check_kg_ha(frame.clear()).height == 0


def test_a_weighed_sample_goes_before_a_count_and_loses_its_background():
    # 6 g on 4 x 0.25 m2 are 60 kg/ha on the strip, less the header zone's 20 kernels of 40 mg, 8 kg/ha; a third.
    # Its error is that of 150 kernels (6 g of 40 mg) and of 20: sqrt(150 + 20) x 0.4 kg/ha / 3.
    pan = _count(9999, sample_mass_g=6.0, cut_width_m=9.0, discharge_width_m=3.0, place="machine")
    row = loss_check_kg_ha(_checks(pan, _count(20, place="header"))).row(0, named=True)
    assert row["loss_kg_ha"] == pytest.approx((60 - 8) / 3)
    assert row["standard_error_kg_ha"] == pytest.approx(170**0.5 * 0.4 / 3)
    assert (row["basis"], row["sentence"]) == ("weighed", None)


def test_a_sample_needs_no_kernel_mass_but_then_has_no_error():
    row = loss_check_kg_ha(_checks({"sample_mass_g": 6.0, "frame_area_m2": 1.0})).row(0, named=True)
    assert (row["loss_kg_ha"], row["standard_error_kg_ha"], row["basis"]) == (60.0, None, "weighed")
    assert row["sentence"] == "No discharge width: taken as spread over the whole cut."


def test_the_crop_s_kernel_mass_stands_in_for_a_count_without_one():
    bare = _checks({"kernels": 100.0, "frame_area_m2": 1.0})
    assert loss_check_kg_ha(bare)["loss_kg_ha"].to_list() == [None]
    assert loss_check_kg_ha(bare, thousand_kernel_mass_g=40.0)["loss_kg_ha"].to_list() == [40.0]
