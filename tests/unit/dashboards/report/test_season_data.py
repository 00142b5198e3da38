"""Which data a season report rests on: one calendar year, and clear refusals."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.dashboards.report.season_data import YearOf, season_data
from chaffinch.dashboards.report.write import write_season
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.estimate import Answers
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.tables import tables


def lake_of(*days: datetime, effects: pl.DataFrame | None = None) -> MemoryLake:
    """One machine in one field, a reading a minute."""
    times = [day + timedelta(minutes=m) for day in days for m in range(60)]
    readings = pl.DataFrame({"time": times}, schema={"time": pl.Datetime("us", "UTC")}).with_columns(
        machine=pl.lit("Combine A"), field=pl.lit("Mill Field"), crop=pl.lit("wheat")
    )
    effects = tables()["effects"].empty() if effects is None else effects
    return MemoryLake(readings=readings, effects=effects)


def effects(*times: datetime) -> pl.DataFrame:
    rows = [
        {"scope": "adjustment", "machine": "Combine A", "field": "Mill Field", "crop": "wheat", "time": time,
         "setting": "fan_speed", "from_value": "1000", "to_value": "1050", "unit": "rpm",
         "outcome": "cleaning_loss", "verdict": "cannot tell", "reasons": ["wide_range"]}
        for time in times
    ]  # fmt: skip
    return tables()["effects"].conform(pl.DataFrame(rows))


THIS, LAST = datetime(2026, 7, 20, 9, tzinfo=UTC), datetime(2025, 7, 20, 9, tzinfo=UTC)


def test_a_year_begins_and_ends_at_midnight_utc():
    edge = [datetime(2025, 12, 31, 23, 59, 59, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC),
            datetime(2026, 12, 31, 23, 59, 59, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)]  # fmt: skip
    frame = pl.DataFrame({"time": [*edge, None]}, schema={"time": pl.Datetime("us", "UTC")})
    kept = frame.select(YearOf(lake_of(THIS), 2026).within().alias("in"))["in"].to_list()
    assert kept == [False, True, True, False, False]


def test_a_field_harvested_in_two_years_is_reported_by_year():
    row = YearOf(lake_of(LAST, THIS), 2026).machine_fields().row(0, named=True)
    assert row["readings"] == 60 and row["first_time"] == THIS
    assert YearOf(lake_of(LAST), 2026).machine_fields().is_empty()


def test_effects_of_one_year_are_taken_as_they_stand():
    data = season_data(lake_of(THIS, effects=effects(THIS)), 2026, Farm())
    assert data.effects.height == 1 and not data.estimated_again


def test_with_other_years_in_the_lake_the_years_own_readings_are_estimated(monkeypatch):
    asked = []

    def estimate(lake, farm, *each):
        asked.append(lake.scan("readings").collect()["time"].dt.year().unique().to_list())
        return Answers(effects(THIS), tables()["responses"].empty(), tables()["loss_curves"].empty())

    monkeypatch.setattr("chaffinch.pipelines.estimate.refresh_answers", estimate)
    data = season_data(lake_of(LAST, THIS, effects=effects(LAST, THIS)), 2026, Farm())
    assert asked == [[2026]] and data.estimated_again
    assert data.effects["time"].to_list() == [THIS]


@pytest.mark.parametrize(
    ("lake", "sentence"),
    [
        (lake_of(THIS, effects=effects(THIS)), r"no effects of adjustments in 2025, only in 2026\."),
        (lake_of(THIS), r"no effects of adjustments yet. .* chaffinch estimate"),
    ],
)
def test_a_year_without_effects_is_refused_in_a_sentence(lake, sentence, tmp_path):
    with pytest.raises(CallError, match=sentence):
        write_season(lake, 2025, tmp_path / "report.html", Farm())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "sentence"),
    [("report.docx", r"must end in \.html, \.pdf or \.xlsx"), ("nowhere/report.html", "There is no folder")],
)
def test_a_wrong_place_is_refused_before_any_work(name, sentence, tmp_path):
    with pytest.raises(CallError, match=sentence):
        write_season(lake_of(THIS, effects=effects(THIS)), 2026, tmp_path / name, Farm())
