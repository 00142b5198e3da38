"""Which trial is worth most: chances and savings against integration, the ranking, and what is left out."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers import worth_trying
from chaffinch.pipelines.trials.answers.worth_trying import suggestions
from chaffinch.schemas.tables import tables
from scipy.stats import norm

FARM = Farm.model_validate({"prices": {"per_t": {"wheat": 200}}})


def field(machine: str = "A", hectares: float = 400.0):
    """What suggestions need of bins: four hours of steady work of a noise that a usual trial is planned with."""
    n = 1440
    return SimpleNamespace(
        machine=machine,
        crop="wheat",
        time_s=1.785e9 + 10.0 * np.arange(n),
        seconds=np.full(n, 10.0),
        step=np.zeros(n, dtype=int),
        east_m=np.full(n, np.nan),
        north_m=np.full(n, np.nan),
        area_m2_s=np.full(n, hectares * 1e4 / (10.0 * n)),
        feed_t_h=np.full(n, 30.0),
        outcomes={},
    )


def curve(
    setting: str,
    at: dict[float, tuple[float, float]],
    in_use: float,
    absolute: float | None = None,
    machine="A",
):
    """Rows of responses: value -> (log ratio, its standard deviation)."""
    rows = [
        {
            "machine": machine, "crop": "wheat", "setting": setting, "unit": "rpm", "outcome": "machine_loss",
            "value": value, "value_in_use": in_use, "log_ratio": mean, "log_ratio_low": mean - 1.959964 * sd,
            "log_ratio_high": mean + 1.959964 * sd, "chance_best": 0.5,
            "absolute": None if absolute is None or not mean else absolute * np.expm1(mean),
        }
        for value, (mean, sd) in at.items()
    ]  # fmt: skip
    known = {name: kind for name, kind in tables()["responses"].polars_schema().items() if name in rows[0]}
    return tables()["responses"].conform(pl.DataFrame(rows, schema=known))


@pytest.mark.parametrize(("mean", "sd"), [(-0.1, 0.2), (0.15, 0.1), (0.0, 0.5)])
def test_shares_are_the_integrals_of_a_normal_log_ratio(mean, sd):
    chance, saved, lost = worth_trying._shares(mean, sd)
    x = np.linspace(mean - 9 * sd, mean + 9 * sd, 200_001)
    density = norm(mean, sd).pdf(x)
    assert chance == pytest.approx(norm(mean, sd).cdf(0))
    assert saved == pytest.approx(np.trapezoid(np.maximum(0, 1 - np.exp(x)) * density, x), abs=1e-7)
    assert lost == pytest.approx(np.trapezoid(np.maximum(0, np.exp(x) - 1) * density, x), abs=1e-7)


def test_worth_is_the_chance_times_the_saving_over_the_area_less_the_trial():
    rows = curve("rotor_speed", {850: (0.0, 0.0), 900: (-0.2, 0.15)}, 850, absolute=50.0)
    (one,) = suggestions(rows, [field()], FARM)
    assert (one.machine, one.setting, one.value, one.value_in_use) == ("A", "rotor_speed", 900, 850)
    assert one.measured_loss and one.area_ha == pytest.approx(400.0)
    assert one.chance == pytest.approx(norm.cdf(0.2 / 0.15))
    area_ha_h = 400.0 / 4
    chance, saved, lost = worth_trying._shares(-0.2, 0.15)
    kilograms = 50.0 * (saved * (400 - one.hours * area_ha_h) - lost * one.hours * area_ha_h / 2)
    assert one.expected_kg == pytest.approx(kilograms)
    assert one.worth == pytest.approx(kilograms * 0.2)
    assert one.saves_kg_ha * one.chance == pytest.approx(50 * saved)


def test_the_better_chance_comes_first_and_a_machine_can_be_chosen():
    rows = pl.concat(
        [
            curve("rotor_speed", {850: (0, 0), 900: (-0.1, 0.2)}, 850, 50.0),
            curve("threshing_speed", {900: (0, 0), 950: (-0.3, 0.2)}, 900, 50.0),
            curve("rotor_speed", {850: (0, 0), 900: (-0.2, 0.2)}, 850, 50.0, machine="B"),
        ]
    )
    found = suggestions(rows, [field(), field("B")], FARM)
    assert [(s.machine, s.setting) for s in found] == [
        ("A", "threshing_speed"),
        ("B", "rotor_speed"),
        ("A", "rotor_speed"),
    ]
    assert [s.machine for s in suggestions(rows, [field(), field("B")], FARM, "B")] == ["B"]


def test_nothing_is_suggested_that_costs_more_than_it_saves():
    worse = curve("rotor_speed", {850: (0, 0), 900: (0.3, 0.1)}, 850, 50.0)
    assert suggestions(worse, [field()], FARM) == []


def test_values_too_near_for_a_trial_are_left_out():
    near = curve("rotor_speed", {850: (0, 0), 860: (-0.2, 0.1)}, 850, 50.0)
    assert suggestions(near, [field()], FARM) == []


def test_without_loss_checks_a_usual_loss_is_assumed_and_said():
    rows = curve("rotor_speed", {850: (0, 0), 900: (-0.2, 0.15)}, 850)
    (one,) = suggestions(rows, [field()], FARM)
    assert not one.measured_loss
    # 1 % of a yield of 30 t/h x 4 h / 400 ha.
    chance, saved, _ = worth_trying._shares(-0.2, 0.15)
    assert one.saves_kg_ha == pytest.approx(3.0 * saved / chance)


def test_without_a_price_trials_are_ranked_by_kilograms():
    rows = curve("rotor_speed", {850: (0, 0), 900: (-0.2, 0.15)}, 850, 50.0)
    (one,) = suggestions(rows, [field()], Farm())
    assert one.worth is None and one.expected_kg > 0


def test_no_rows_no_suggestions():
    assert suggestions(tables()["responses"].empty(), [], Farm()) == []
