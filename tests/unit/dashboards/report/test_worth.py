"""What a change was worth, worked by hand; nothing made up where a loss check or a price is missing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.dashboards.report.season_data import FieldChanges
from chaffinch.dashboards.report.season_words import worth_summary
from chaffinch.dashboards.report.worth import Worth, lacking, total, weigh, with_durations
from chaffinch.dashboards.words.shown_changes import ShownChange, outcome_of
from chaffinch.dashboards.words.shown_units import amount, units_of
from chaffinch.dashboards.words.terms import grouped, listed
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.schemas.tables import tables

NOON = datetime(2026, 7, 20, 12, 0, tzinfo=UTC)
PRICED = parse_farm("[prices]\ncurrency = 'EUR'\nper_t = { wheat = 200 }\n")


def effect(outcome: str, percent: tuple[float, float, float] | None, verdict: str, **more) -> dict:
    row = dict.fromkeys(tables()["effects"].polars_schema()) | {"outcome": outcome, "verdict": verdict}
    for end, value in zip(("", "_low", "_high"), percent or (None,) * 3, strict=True):
        row[f"percent{end}"] = value
        row[f"log_ratio{end}"] = None if value is None else float(np.log1p(value / 100))
    return row | {"reasons": []} | more


def change(at_s: int, *rows: dict) -> ShownChange:
    when = NOON + timedelta(seconds=at_s)
    result = tuple(outcome_of(row) for row in rows)
    return ShownChange(1, when, when, (("fan_speed", "1000", "1050", "rpm"),), None, result, 900.0, 900.0, 0)


def readings(seconds: int) -> pl.DataFrame:
    """2 m/s on 10 m at 10 kg/s, a reading a second: 36 t/h and 2 ha each 1,000 s."""
    return tables()["readings"].conform(
        pl.DataFrame({"time": [NOON + timedelta(seconds=s) for s in range(seconds)]}).with_columns(
            machine=pl.lit("Combine A"),
            field=pl.lit("Mill Field"),
            speed_m_s=2.0,
            working_width_m=10.0,
            grain_flow_kg_s=10.0,
            working=True,
        )
    )


class Season:
    lake = MemoryLake(readings=readings(3000))


LOSS = effect("machine_loss", (-20.0, -30.0, -5.0), "less", absolute=-30.0, absolute_low=-50.0,
              absolute_high=-10.0, absolute_unit="kg/ha")  # fmt: skip
CAPACITY = effect("capacity", (10.0, 2.0, 20.0), "more")


def weighed(farm: Farm, *rows: dict) -> list[Worth]:
    row = {"machine": "Combine A", "field": "Mill Field", "day": None}
    changes = [change(1000, *rows), change(2000, effect("machine_loss", None, "cannot tell"))]
    return weigh(Season(), [FieldChanges(row, "wheat", changes)], farm)[0]


def test_a_change_by_hand():
    first = weighed(PRICED, LOSS, CAPACITY)[0]
    # 2 m/s x 10 m x 1,000 s = 2 ha; 30 kg/ha less lost on 2 ha = 60 kg saved; at 200 a tonne: 12.
    assert first.area_ha == pytest.approx(2.0)
    assert first.saved_kg == pytest.approx((60.0, 20.0, 100.0))
    assert first.money == pytest.approx((12.0, 4.0, 20.0))
    # 10 kg/s = 36 t/h; a tenth more of it is 3.6 t/h.
    assert first.t_h_before == pytest.approx(36.0)
    assert first.capacity_t_h == pytest.approx((3.6, 0.72, 7.2))


def test_without_a_price_there_is_grain_but_no_money():
    result = weighed(Farm(), LOSS)
    assert result[0].saved_kg is not None and result[0].money is None
    assert any("no price for Wheat" in text for text in lacking(result, Farm()))
    assert "worth" not in worth_summary(result, Farm())


def test_without_a_loss_check_there_is_no_grain_and_the_machine_is_named():
    result = weighed(PRICED, effect("machine_loss", (-20.0, -30.0, -5.0), "less"))
    assert result[0].saved_kg is None and result[0].money is None and total(result).changes == 0
    assert any("No loss check" in text and "Combine A" in text for text in lacking(result, PRICED))
    assert "worth of the changes is unknown" in worth_summary(result, PRICED)


def test_a_refused_effect_is_not_weighed():
    assert weighed(PRICED, LOSS | {"verdict": "cannot tell"})[0].saved_kg is None


def test_sums_take_every_weighed_change_and_add_the_ends():
    one = weighed(PRICED, LOSS)[0]
    lost = weighed(PRICED, LOSS | {"absolute": 10.0, "absolute_low": -5.0, "absolute_high": 25.0})[0]
    added = total([one, lost])
    # 60 saved, 20 lost: 40 kg; ends 20 + (-50) and 100 + 10.
    assert added.saved_kg == pytest.approx((40.0, -30.0, 110.0))
    assert "range includes zero" in worth_summary([one, lost], PRICED)
    assert worth_summary([one], PRICED).startswith(
        "In total, the 1 calibrated change saved 60\u00a0kg of grain"
    )


def test_a_pause_of_the_log_is_no_work():
    log = readings(10)
    gap = log.with_columns(pl.when(pl.int_range(10) >= 5).then(pl.col("time") + timedelta(minutes=30))
                           .otherwise("time").alias("time"))  # fmt: skip
    assert with_durations(gap)["record_duration_s"].to_list() == [1.0] * 10


def test_numbers_as_people_read_them():
    assert grouped("+12300") == "+12,300" and grouped("−0.52") == "−0.52" and grouped("unknown") == "unknown"
    assert listed(["a"]) == "a" and listed(["a", "b", "c"]) == "a, b and c" and listed([]) == ""
    # 100 ha = 247.105 ac (NIST SP 811, appendix B.8).
    assert amount(100.0, units_of(parse_farm("units = 'us'"), None).area) == "247\u00a0ac"


def test_worth_per_hectare_and_hour_by_hand():
    # 30 kg/ha at 200 a tonne: 6/ha; 2 m/s x 10 m are 7.2 ha/h: 43.2 an hour. A tenth faster at 300 an hour
    # saves 300 / 7.2 x (1 - 1 / 1.1) = 3.788/ha.
    first = weighed(parse_farm("[prices]\nper_t = { wheat = 200 }\nmachine_per_h = 300\n"), LOSS, CAPACITY)[0]
    assert first.ha_h_before == pytest.approx(7.2)
    assert first.money_per_ha == pytest.approx((6.0, 2.0, 10.0))
    assert first.money_per_h == pytest.approx((43.2, 14.4, 72.0))
    assert first.time_per_ha[0] == pytest.approx(3.788, abs=5e-4)
    unpriced = weighed(Farm(), LOSS, CAPACITY)[0]
    assert (unpriced.money_per_ha, unpriced.money_per_h, unpriced.time_per_ha) == (None, None, None)
