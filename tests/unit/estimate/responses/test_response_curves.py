"""Response curves: draws against a general library, the best value's range, the rows of ``responses``."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from chaffinch.pipelines.estimate.data.doses import Dose, at_the_tip, dose_of
from chaffinch.pipelines.estimate.responses.best_value import best_values
from chaffinch.pipelines.estimate.responses.response_curves import responses_table
from chaffinch.pipelines.estimate.responses.response_draws import BEND, Draws, _drawn, bent, draw_responses
from chaffinch.pipelines.estimate.responses.response_rows import (
    CurveRows,
    NumericSetting,
    curve_values,
    values_in_use,
)
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates, NestedTerms, Spreads
from chaffinch.pipelines.estimate.results.shared_changes import Used
from chaffinch.schemas.tables import tables

# A prior so wide that it says nothing, and no field differs from another.
FLAT = Spreads(setting=1e3, field=0.0, change=0.0)
# Both columns are of one setting.
ONE = (0, 0)
GRID = np.linspace(-2.0, 2.0, 9)


def field(
    rng: np.random.Generator, machine: str, u: np.ndarray, spread: float, error: float
) -> FieldEstimates:
    """Four changes along z = -2 ... 2 of a setting with u1, u2 and a field's own slope."""
    places = [float(rng.integers(-2, 3))]
    while len(places) < 5:
        following = places[-1] + rng.choice([-2.0, -1.0, 1.0, 2.0])
        if abs(following) <= 2:
            places.append(float(following))
    doses = np.diff(places)
    bends = np.array([bent(a, b) for a, b in zip(places[:-1], places[1:], strict=True)])
    x = np.column_stack([doses, bends])
    true = x @ u + doses * spread * rng.standard_normal()
    estimates = true + error * rng.standard_normal(4)
    none = np.zeros(4)
    covariance = error**2 * np.eye(4)
    return FieldEstimates(machine, "wheat", 2026, estimates, covariance, x, none[:, None], 1e9, none)


def season(seed: int, best: float, curvature: float, fields: int = 12) -> list[FieldEstimates]:
    """Fields on three machines; the truth is curvature (z - best)^2, fields differ by 0.15 a step."""
    rng = np.random.default_rng(seed)
    u = np.array([-2 * curvature * best, curvature / BEND])
    return [field(rng, f"Combine {i % 3}", u, 0.15, 0.2) for i in range(fields)]


def curves(u: np.ndarray) -> np.ndarray:
    return u @ np.array([GRID, [bent(0.0, z) for z in GRID]])


def test_draws_are_those_of_weighted_least_squares_where_nothing_is_shared():
    """With a flat prior and no differences between fields the posterior is that of GLS with known errors."""
    fields = season(1, 0.5, 0.1, fields=6)
    model = NestedTerms(fields)
    crops = np.ones((1, 1))
    _, drawn = _drawn(model.solve(FLAT), crops, np.array([0]), 2, 40_000)
    x = np.concatenate([f.doses for f in fields])
    y = np.concatenate([f.estimates for f in fields])
    theirs = sm.GLS(y, x, sigma=0.04 * np.eye(y.size)).fit(cov_type="fixed scale")
    error = np.sqrt(np.diag(theirs.cov_params()))
    assert drawn[:, 0].mean(axis=0) == pytest.approx(theirs.params, abs=float(3 * error.max() / 200))
    assert np.cov(drawn[:, 0].T) == pytest.approx(theirs.cov_params(), rel=0.05, abs=1e-5)


def test_the_range_of_the_best_value_is_that_of_fieller():
    """The best of a + u1 z + c u2 z^2 is -u1 / (2 c u2). Its exact 95 % set by Fieller 1954, J. R. Statist. Soc. B
    16:175-185: all z at which the slope u1 + 2 c u2 z does not differ from zero."""
    fields = season(3, 0.5, 0.25, fields=9)
    model = NestedTerms(fields)
    _, drawn = _drawn(model.solve(FLAT), np.ones((1, 1)), np.array([0]), 4, 40_000)
    u = drawn[:, 0]
    best = -u[:, 0] / (2 * BEND * u[:, 1])
    z = np.linspace(-2, 2, 4001)
    slope = np.column_stack([np.ones_like(z), 2 * BEND * z])
    mean, covariance = u.mean(axis=0), np.cov(u.T)
    inside = np.abs(slope @ mean) <= 1.96 * np.sqrt(np.einsum("zi,ij,zj->z", slope, covariance, slope))
    assert np.quantile(best, [0.025, 0.975]) == pytest.approx([z[inside][0], z[inside][-1]], abs=0.02)


@pytest.mark.proof
@pytest.mark.parametrize(("best", "curvature"), [(0.5, 0.12), (4.0, 0.04)])
def test_seasons_with_the_best_inside_and_outside_the_range(best: float, curvature: float):
    """Ten seasons each: the curve is in its range, the best of the range found, and not beyond it."""
    true = curvature * (GRID - best) ** 2
    held, short, expected = [], [], []
    for seed in range(10):
        found = curves(draw_responses(season(500 + seed, best, curvature), ONE, 200.0).seasons[:, 0])
        ratio, truth = found - found[:, [2]], true - true[2]
        low, high = np.quantile(ratio, [0.025, 0.975], axis=0)
        held += list((low <= truth) & (truth <= high))
        chosen = int(found.mean(axis=0).argmin())
        short.append(true[chosen] - true.min())
        expected.append(float((found[:, chosen] - found.min(axis=1)).mean()))
        if best > 2:
            assert GRID[chosen] == 2.0
    assert np.mean(held) >= 0.9
    # What the choice falls short by is what it was said to, within what ten seasons can tell; and little: a step
    # in the wrong direction costs 0.1.
    assert np.mean(short) <= 2 * np.mean(expected)
    assert np.mean(short) < 0.04


def test_a_value_between_two_tried_may_be_the_best_but_says_so_with_doubt():
    """Tried at two values only, a bend cannot be seen: the curve is straight on average, its range is not."""
    rng = np.random.default_rng(8)
    up = np.array([[1.0, 0.0]])
    none = np.zeros(1)
    fields = [
        FieldEstimates(
            "A",
            "wheat",
            2026,
            -0.4 + 0.05 * rng.standard_normal(1),
            0.0025 * np.eye(1),
            up,
            none[:, None],
            1e9,
            none,
        )
        for _ in range(4)
    ]
    u = draw_responses(fields, ONE, 200.0).seasons[:, 0]
    z = np.array([-0.5, 0.0, 0.5])
    curve = u @ np.array([z, [bent(-0.5, each) for each in z]])
    ends = curve[:, 2] - curve[:, 0]
    middle = curve[:, 1] - curve[:, 0]
    assert middle.mean() == pytest.approx(ends.mean() / 2, abs=0.01)
    assert 0.001 < np.std(middle - ends / 2) < 0.1


@pytest.mark.parametrize(
    ("tried", "expected"),
    [
        ([850.0, 950.0], [850.0, 870.0, 890.0, 910.0, 930.0, 950.0]),
        ([14.0, 16.0], [14.0, 14.5, 15.0, 15.5, 16.0]),
        ([10.0, 12.3, 14.0], [10.0, 11.0, 12.3, 13.0, 14.0]),
    ],
)
def test_a_curve_runs_from_the_least_to_the_greatest_value_tried(tried: list[float], expected: list[float]):
    assert list(curve_values(tried)) == pytest.approx(expected)


def curve_rows(*doses: Dose, spread: float = 0.1) -> list[dict]:
    """Rows of one machine's changes of threshing speed, tip speeds on a drum of 0.6 m; draws about nothing."""
    binned = SimpleNamespace(machine="A", crop="wheat")
    used = [Used(SimpleNamespace(binned=binned), 0, k, [dose], True, 0) for k, dose in enumerate(doses)]
    u = spread * np.random.default_rng(1).standard_normal((200, 1, 4))
    draws = Draws(["A"], ["wheat"], u[:, :, None], u)
    number = NumericSetting(doses[0].label, "m/s", 0, 1, 30.0, float(doses[0].per_step or 1.0))
    in_use = {("threshing_speed", "A", "wheat"): 1000.0}
    rows = CurveRows(
        "cleaning_loss", used, draws, in_use, {"threshing_speed": {"A": 0.6}}, lambda *_: None
    ).of(number)
    return [row for row in rows if row["machine"] == "A"]


def threshing(before: str | None, after: str | None, by: float | None = None) -> Dose:
    row = {
        "setting": "threshing_speed",
        "from_value": before,
        "to_value": after,
        "kind": "number",
        "change": by,
    }
    dose = dose_of(row)
    assert dose is not None
    at_tip = at_the_tip(dose, 0.6)
    assert at_tip is not None
    return at_tip


def test_the_curve_of_one_machine_has_even_values_of_its_own_unit():
    """Drums of several sizes share tip speeds; what is set on the machine is rpm."""
    rows = curve_rows(threshing("900", "1000"))
    assert [row["value"] for row in rows] == [900.0, 920.0, 940.0, 960.0, 980.0, 1000.0]
    assert {row["value_in_use"] for row in rows} == {1000.0}
    assert [row["tried"] for row in rows] == [1, 0, 0, 0, 0, 1]
    assert {row["unit"] for row in rows} == {"rpm"}


def test_a_change_by_so_much_from_an_unknown_value_has_a_dose_but_no_place_on_the_curve():
    relative = threshing(None, None, 50.0)
    assert relative.amount == pytest.approx(threshing("900", "950").amount) and relative.values is None
    assert np.isnan(relative.midpoint)
    with_it = curve_rows(threshing("900", "1000"), relative)
    assert with_it == curve_rows(threshing("900", "1000"))


def test_the_value_in_use_follows_changes_by_so_much_in_order_of_time():
    """950, then up 50 without a value: 1000, whichever field comes first. A word is no value."""
    moves = [(9, "900", "950", None), (11, None, None, 50.0), (12, None, "off", None)]
    fields = [
        SimpleNamespace(machine="A", crop="wheat", changes=[SimpleNamespace(rows=pl.DataFrame({
            "time": [datetime(2026, 8, 3, hour, tzinfo=UTC)], "setting": ["fan_speed"], "from_value": [before],
            "to_value": [after], "change": [by],
        }))])
        for hour, before, after, by in reversed(moves)
    ]  # fmt: skip
    assert values_in_use(fields) == {("fan_speed", "A", "wheat"): 1000.0}


def test_no_rows_make_an_empty_table():
    assert responses_table([]).schema == pl.Schema(tables()["responses"].polars_schema())


def curve(
    values: list[float], regret: list[float], chance: list[float], in_use: float, **more: object
) -> pl.DataFrame:
    many = len(values)
    made = {
        "setting": "fan_speed",
        "unit": "rpm",
        "outcome": "machine_loss",
        "log_ratio": [r - regret[values.index(in_use)] for r in regret],
        "log_ratio_low": [-1.0] * many,
        "log_ratio_high": [1.0] * many,
        "adjustments_pooled": 4,
        **more,
    }
    rows = pl.DataFrame(
        {"value": values, "expected_regret": regret, "chance_best": chance, "value_in_use": in_use}
    )
    return tables()["responses"].conform(
        rows.with_columns(
            *(pl.Series(n, v) if isinstance(v, list) else pl.lit(v).alias(n) for n, v in made.items())
        )
    )


def test_the_best_value_is_inside_or_at_the_end_where_more_may_be_better_still():
    values = [900.0, 925.0, 950.0, 975.0, 1000.0]
    inside = best_values(curve(values, [0.3, 0.1, 0.02, 0.05, 0.2], [0.0, 0.1, 0.6, 0.28, 0.02], 1000.0))[0]
    assert (inside.value, inside.value_low, inside.value_high) == (950.0, 925.0, 975.0)
    assert (inside.beyond, inside.regret) == (None, 0.2)
    assert inside.log_ratio == pytest.approx(-0.18)
    end = best_values(curve(values, [0.4, 0.3, 0.2, 0.1, 0.01], [0.05, 0.0, 0.0, 0.05, 0.9], 900.0))[0]
    assert (end.value, end.beyond, end.tried_high) == (1000.0, "higher", 1000.0)
    unsure = best_values(curve(values, [0.2, 0.21, 0.22, 0.21, 0.2], [0.4, 0.05, 0.05, 0.1, 0.4], 900.0))[0]
    assert (unsure.value, unsure.beyond) == (900.0, None)


def test_the_machine_loss_decides_where_it_is_known():
    values = [10.0, 12.0]
    both = pl.concat(
        [
            curve(values, [0.0, 0.1], [0.9, 0.1], 10.0, outcome="separation_loss"),
            curve(values, [0.1, 0.0], [0.2, 0.8], 10.0),
        ]
    )
    assert [one.value for one in best_values(both)] == [12.0]
    assert best_values(curve(values, [0.0, 0.1], [0.9, 0.1], 10.0, outcome="returns")) == []
