"""Loss checks of a field page: the loss of each, and its share with the denominator named."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.dashboards.pages.weighed_checks import checks_table, checks_with_share
from chaffinch.dashboards.words.shown_units import METRIC
from chaffinch.pipelines.estimate import refresh_answers
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.simulate import SCENARIOS, MachineField, simulate_season
from chaffinch.schemas.tables import tables

START = datetime(2026, 8, 3, 8, 0, tzinfo=UTC)


def _told(minutes: int = 30) -> pl.DataFrame:
    n = minutes * 60
    return pl.DataFrame(
        {
            "time": [START + timedelta(seconds=k) for k in range(n)],
            "usable": [True] * n,
            # 36 t/h are 10 kg/s; over 2 m/s x 10 m that is 5,000 kg/ha.
            "feed_rate_t_h": [36.0] * n,
            "speed_m_s": [2.0] * n,
            "working_width_m": [10.0] * n,
        },
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )


def _check(minute: float, **more: object) -> pl.DataFrame:
    row = {"time": START + timedelta(minutes=minute), "machine": "Combine A", **more}
    return tables()["loss_checks"].conform(pl.DataFrame([row]))


def test_share_of_kept_and_lost():
    found = checks_with_share(_check(10, machine_loss_kg_ha=50.0), _told(), "wheat", Farm(), "Combine A")
    # 50 / (5,000 + 50)
    assert found["loss_share_pct"].to_list() == pytest.approx([0.990099], rel=1e-5)
    assert found["yield_kg_ha"].to_list() == pytest.approx([5000.0])


def test_a_check_far_from_any_work_has_no_share():
    found = checks_with_share(_check(90, machine_loss_kg_ha=50.0), _told(), "wheat", Farm(), "Combine A")
    assert found["loss_share_pct"].to_list() == [None]
    lacking = _told().drop("working_width_m")
    found = checks_with_share(_check(10, machine_loss_kg_ha=50.0), lacking, "wheat", Farm(), "Combine A")
    assert found["loss_share_pct"].to_list() == [None]


def test_the_farm_s_own_kernel_mass_goes_before_that_of_the_crop():
    count = _check(10, kernels=100.0, frame_area_m2=1.0)
    own = parse_farm("[crops.wheat]\nthousand_kernel_mass_g = 50\n")
    for farm, kg_ha in ((own, 50.0), (Farm(), 33.0)):  # 33 g: 19 kernels/ft2 to 1 bu/ac, school worksheet
        assert checks_with_share(count, _told(), "wheat", farm, "Combine A")["loss_kg_ha"].to_list() == [
            kg_ha
        ]


def test_the_table_names_its_denominator():
    found = checks_with_share(_check(10, machine_loss_kg_ha=50.0), _told(), "wheat", Farm(), "Combine A")
    table = checks_table(found, METRIC, None)
    assert table is not None
    assert "Loss, % of total grain" in table.columns
    assert table.rows == (
        ("3 August 2026 08:00".replace("08:00", "08:10"), "machine", "50", "–", "0.99", "as given", "–"),
    )
    assert checks_table(found.clear(), METRIC, None) is None


def _lake(made: MachineField, checks: pl.DataFrame) -> MemoryLake:
    return MemoryLake(
        readings=made.readings,
        adjustments=made.adjustments.with_row_index("row", offset=2).with_columns(file=pl.lit("log.csv")),
        loss_checks=checks,
    )


@pytest.mark.slow
def test_a_count_without_a_kernel_mass_weighs_the_signals_by_that_of_the_crop():
    made = simulate_season(
        replace(SCENARIOS["plain"], fields=1, machines=1, hours=1.5, adjustments=1), 4
    ).machine_field(0)
    # 40 mg kernels: 10 kg/ha are 25 on a square metre. The farm says 40, and 80 doubles the kilograms lost before
    # a change; the change of them is a little smaller, since more is lost of the same grain kept.
    counted = made.loss_checks.with_columns(
        kernels=pl.col("machine_loss_kg_ha") / 10 * 25, frame_area_m2=pl.lit(1.0)
    ).drop("machine_loss_kg_ha")
    found = {}
    for mass in (40, 80):
        farm = parse_farm(f"[crops.wheat]\nthousand_kernel_mass_g = {mass}\n")
        found[mass] = _machine_loss(refresh_answers(_lake(made, counted), farm).effects)
    stated = _machine_loss(refresh_answers(_lake(made, made.loss_checks), Farm()).effects)
    assert found[40]["absolute"].to_list() == pytest.approx(stated["absolute"].to_list())
    before = {mass: rows["absolute"] / rows["percent"] for mass, rows in found.items()}
    assert before[80].to_list() == pytest.approx([2 * one for one in before[40]])
    smaller = (found[80]["percent"] / found[40]["percent"]).to_list()
    assert all(0.9 < one < 1 for one in smaller)


def _machine_loss(effects: pl.DataFrame) -> pl.DataFrame:
    rows = effects.filter((pl.col("outcome") == "machine_loss") & (pl.col("scope") == "adjustment"))
    assert rows.height and set(rows["absolute_unit"]) == {"kg/ha"}
    return rows
