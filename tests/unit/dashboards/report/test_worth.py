"""What settings now in force are worth, worked by hand; nothing made up where a loss check or a price is missing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.dashboards.report.season_words import worth_summary
from chaffinch.dashboards.report.worth import Worth, lacking, with_durations, worths_of
from chaffinch.dashboards.words.machine_lines import machine_lines
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


def change(at_s: int, before: str, after: str, *rows: dict) -> list[dict]:
    """Rows of ``effects`` of one adjustment of the fan."""
    about = {
        "scope": "adjustment", "machine": "Combine A", "field": "Mill Field", "crop": "wheat", "setting": "fan_speed",
        "from_value": before, "to_value": after, "unit": "rpm", "time": NOON + timedelta(seconds=at_s),
    }  # fmt: skip
    return [row | about for row in rows]


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


CURVES = tables()["loss_curves"].conform(
    pl.DataFrame(
        {
            "machine": ["Combine A"],
            "crop": ["wheat"],
            "feed_t_h": [36.0],
            "yield_t_ha": [5.0],
            "loss_kg_ha": [150.0],
            "loss_log_error": [0.0],
        }
    )
)


class Season:
    loss_curves = CURVES
    adjustments = tables()["adjustments"].empty()

    def __init__(self, rows: list[dict]) -> None:
        table = tables()["effects"]
        self.effects = table.conform(pl.DataFrame(rows, schema_overrides=dict(table.polars_schema())))


LOSS = effect("machine_loss", (-20.0, -30.0, -5.0), "less", absolute=-30.0, absolute_low=-50.0,
              absolute_high=-10.0, absolute_unit="kg/ha", chance_less=0.99)  # fmt: skip
CAPACITY = effect("capacity", (10.0, 2.0, 20.0), "more")


def weighed(farm: Farm, *changes: list[dict]) -> list[Worth]:
    season = Season([row for rows in changes for row in rows])
    return worths_of(machine_lines(season.effects, season.loss_curves, season.adjustments), farm)


def test_a_setting_by_hand():
    (one,) = weighed(PRICED, change(1000, "1000", "1050", LOSS, CAPACITY))
    assert one.saved_kg_ha == (30.0, 10.0, 50.0)
    # 30 kg/ha at 200 a tonne: 6 a hectare.
    assert one.saving.per_ha == pytest.approx(6.0, abs=0.05) and one.saving.by == "grain"
    # A tenth more than 36 t/h is 3.6 t/h.
    assert one.capacity_t_h == pytest.approx((3.6, 0.72, 7.2))
    assert "Fan speed 1000 → 1050 rpm (Combine A, wheat) saves 6.0" in worth_summary([one], PRICED)


def test_a_change_and_its_reversal_are_worth_nothing():
    assert weighed(PRICED, change(1000, "1000", "1050", LOSS), change(2000, "1050", "1000", LOSS)) == []


def test_without_a_price_there_is_grain_but_no_money():
    found = weighed(Farm(), change(1000, "1000", "1050", LOSS))
    assert found[0].saved_kg_ha is not None and found[0].saving is None
    assert any("no price for Wheat" in text for text in lacking(found, Farm()))
    assert "grain saved +30" in worth_summary(found, Farm())


def test_without_a_loss_check_there_is_no_grain_and_the_machine_is_named():
    bare = effect("machine_loss", (-20.0, -30.0, -5.0), "less")
    found = weighed(PRICED, change(1000, "1000", "1050", bare))
    assert found[0].saved_kg_ha is None
    assert any("No loss check" in text and "Combine A" in text for text in lacking(found, PRICED))
    assert "worth of the settings is unknown" in worth_summary(found, PRICED)


def test_a_refused_effect_is_not_weighed():
    assert weighed(PRICED, change(1000, "1000", "1050", LOSS | {"verdict": "cannot tell"})) == []


def test_the_cost_of_an_hour_that_is_missing_is_named():
    found = weighed(PRICED, change(1000, "1000", "1050", LOSS))
    assert any("machine_per_h" in text for text in lacking(found, PRICED))


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
