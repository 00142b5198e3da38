"""Doses that are shared, designs of full rank, placebos, and the rows of ``effects`` of a small season."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from chaffinch.dashboards.figures.forest import key_and_amount
from chaffinch.pipelines.estimate import estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import build_design
from chaffinch.pipelines.estimate.data.doses import dose_of
from chaffinch.pipelines.estimate.model.placebo import check_ranges
from chaffinch.pipelines.estimate.results.agreement import disagreement, least_squares
from chaffinch.pipelines.farm import parse_farm
from chaffinch.pipelines.simulate import SCENARIOS, Effects, Operator, simulate_season
from chaffinch.schemas.declarations import reasons, settings
from chaffinch.schemas.tables import OUTCOMES, VERDICTS, tables


def adjustment(setting: str, before: str | None, after: str | None, kind: str = "number") -> dict:
    return {"setting": setting, "from_value": before, "to_value": after, "kind": kind, "unit": None}


def test_numbers_are_shared_in_steps_of_the_catalogue():
    step = settings()["fan_speed"].step
    up = dose_of(adjustment("fan_speed", "800", str(800 + 2 * step)))
    down = dose_of(adjustment("fan_speed", "800", str(800 - step)))
    assert (up.amount, down.amount) == (pytest.approx(2.0), pytest.approx(-1.0))
    assert up.label == down.label
    assert up.per_step == step


def test_words_are_shared_by_the_pair_of_positions_whichever_way():
    name, declared = next((n, s) for n, s in settings().items() if s.kind == "ordered")
    low, high = declared.positions[0], declared.positions[1]
    up, down = (
        dose_of(adjustment(name, low, high, "ordered")),
        dose_of(adjustment(name, high, low, "ordered")),
    )
    assert (up.amount, down.amount) == (1.0, -1.0)
    assert up.label == down.label == (name, low, high, None)


def test_a_service_has_one_dose():
    name = next(n for n, s in settings().items() if s.kind == "service")
    assert dose_of(adjustment(name, None, None, "service")).amount == 1.0


@pytest.mark.parametrize(("before", "after"), [(None, "850"), ("800", None), ("800", "fast"), ("800", "800")])
def test_a_dose_that_is_not_known_pools_nowhere(before, after):
    assert dose_of(adjustment("fan_speed", before, after)) is None


def test_placebos_that_agree_widen_nothing_and_those_that_disagree_do():
    rng = np.random.default_rng(6)
    fair = rng.standard_normal(400)
    assert check_ranges(0.98 * fair / fair.std()).widen == 1.0
    # 400 scores tell their variance within a tenth or so; what they say is followed that far.
    assert check_ranges(fair).widen == pytest.approx(1.0, abs=0.05)
    found = check_ranges(1.5 * fair)
    # 400 of variance 2.25 and a prior worth 40 of variance 1: (900 + 40) / 440 = 2.14, root 1.46.
    assert found.widen == pytest.approx(1.46, abs=0.06)
    assert found.count == 400
    assert check_ranges(0.5 * fair).widen == 1.0


def test_a_handful_of_placebos_tells_nothing():
    found = check_ranges(np.full(7, 3.0))
    assert (found.count, found.widen) == (7, 1.0)


def test_least_squares_through_the_origin():
    """Independent equal errors: sum(d y) / sum(d^2) = (0.1 + 2 x 0.3 + 0.2) / 6 = 0.15, variance s^2 / 6."""
    found, variance = least_squares(np.array([0.1, 0.3, -0.2]), 0.04 * np.eye(3), np.array([1.0, 2.0, -1.0]))
    assert found == pytest.approx(0.15)
    assert variance == pytest.approx(0.04 / 6)


def test_correlated_errors_agree_with_a_general_library():
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    root = rng.standard_normal((4, 4))
    covariance = root @ root.T + np.eye(4)
    effects, dose = rng.standard_normal(4), np.array([1.0, -1.0, 2.0, 1.0])
    theirs = sm.GLS(effects, dose[:, None], sigma=covariance).fit(cov_type="fixed scale")
    found, variance = least_squares(effects, covariance, dose)
    assert found == pytest.approx(float(theirs.params[0]))
    assert variance == pytest.approx(float(theirs.cov_params()[0, 0]))


def test_repeats_that_disagree_are_noticed():
    """0.4 up and 0.1 back, errors 0.1: Q = 0.3^2 / (2 x 0.1^2) = 4.5 on 1 degree, chance 0.034 (table)."""
    up_and_back, doses = np.array([0.4, -0.1]), np.array([1.0, -1.0])
    assert disagreement(up_and_back, 0.01 * np.eye(2), doses) == pytest.approx(0.0339, abs=1e-4)
    assert disagreement(up_and_back[:1], 0.01 * np.eye(1), doses[:1]) == 1.0


@pytest.fixture(scope="module")
def season() -> list[Binned]:
    """Two fields of two hours; in both a joint change, then a change alone (scripted, fixed seed)."""
    script = (
        (40.0, (("fan_speed", 2), ("upper_sieve_opening", 1))),
        (80.0, (("threshing_speed", 1),)),
    )
    made = replace(
        SCENARIOS["plain"],
        fields=2,
        machines=2,
        hours=2.0,
        operator=Operator(script=(script, script)),
    )
    return [
        prepare(m.readings, real_adjustments(m.adjustments.with_row_index("row")))[0]
        for m in simulate_season(made, 21).iter()
    ]


@pytest.fixture(scope="module")
def effects(season) -> pl.DataFrame:
    return estimate_effects([replace(b, outcomes=_losses(b)) for b in season])


def _losses(binned: Binned) -> dict[str, np.ndarray]:
    return {o: binned.outcomes[o] for o in ("separation_loss", "machine_loss")}


def test_design_has_steps_first_and_full_rank(season):
    design = build_design(season[0], "separation_loss")
    assert design.names[:3] == ("step 0", "step 1", "intercept")
    assert np.linalg.matrix_rank(design.columns) == design.columns.shape[1]
    assert design.columns.shape == (design.use.sum(), len(design.names))


def test_a_covariate_that_never_varies_is_left_out(season):
    still = replace(season[0], roll_deg=np.zeros(season[0].time_s.size))
    assert "roll squared" not in build_design(still, "separation_loss").names


def test_throughput_is_taken_as_driven(season):
    names = build_design(season[0], "throughput").names
    assert [n for n in names if not n.startswith("step")] == ["intercept"]


def test_an_outcome_that_hardly_any_bin_knows_has_no_design(season):
    unknown = np.full(season[0].time_s.size, np.nan)
    unknown[:11] = 0.1 * np.arange(11)
    assert build_design(replace(season[0], outcomes={"returns": unknown}), "returns") is None


@pytest.mark.seconds
def test_effects_keep_the_contract(effects):
    assert effects.schema == pl.Schema(tables()["effects"].polars_schema())
    assert set(effects["verdict"]) <= set(VERDICTS)
    assert set(effects["outcome"]) <= set(OUTCOMES)
    assert set(effects["reasons"].explode(empty_as_null=False).drop_nulls()) <= set(reasons())
    key = list(tables()["effects"].key)
    assert effects.select(key).is_duplicated().sum() == 0


def test_ranges_hold_their_estimates(effects):
    result = effects.drop_nulls("log_ratio")
    assert (
        (result["log_ratio_low"] <= result["log_ratio"]) & (result["log_ratio"] <= result["log_ratio_high"])
    ).all()
    assert (result["percent"] - 100 * result["log_ratio"].exp() + 100).abs().max() < 1e-9


def test_cannot_tell_always_has_a_reason(effects):
    assert effects.filter(pl.col("verdict") == "cannot tell")["reasons"].list.len().min() != 0


def test_all_rows_of_a_joint_change_carry_the_same_effect_and_say_so(effects):
    single = effects.filter((pl.col("scope") == "adjustment") & (pl.col("outcome") == "separation_loss"))
    joint = single.filter(pl.col("joint_id").is_not_null())
    assert sorted(joint["setting"].unique()) == ["fan_speed", "upper_sieve_opening"]
    per_change = joint.group_by("joint_id").agg(pl.len(), pl.col("log_ratio").n_unique().alias("effects"))
    assert per_change.select("len", "effects").rows() == [(2, 1), (2, 1)]
    assert all("joint_change" in r for r in joint["reasons"])


def test_no_wider_row_is_given_for_settings_that_only_moved_together(effects):
    assert set(effects.filter(pl.col("scope") != "adjustment")["setting"]) == {"threshing_speed"}


def test_a_season_row_stands_for_both_fields(effects):
    pooled = effects.filter((pl.col("scope") == "season") & (pl.col("outcome") == "separation_loss"))
    assert pooled["adjustments_pooled"].to_list() == [2]
    assert pooled["per_step"].to_list() == [settings()["threshing_speed"].step]
    assert pooled["field"].to_list() == [None]
    assert "one_field" not in pooled["reasons"].item()


def test_a_season_row_of_one_field_says_that_it_is_one(season):
    effects = estimate_effects([replace(season[0], outcomes=_losses(season[0]))])
    pooled = effects.filter(pl.col("scope") == "season")
    assert pooled.height > 0
    assert all("one_field" in said for said in pooled["reasons"])
    assert not any("one_field" in said for said in effects.filter(pl.col("scope") == "field")["reasons"])


def test_capacity_comes_with_machine_loss(effects):
    both = effects.filter((pl.col("scope") == "adjustment") & (pl.col("setting") == "threshing_speed"))
    by_outcome = both.filter(pl.col("log_ratio").is_not_null()).group_by("outcome").len()
    assert "capacity" in by_outcome["outcome"].to_list()


def test_the_same_season_gives_the_same_effects(season, effects):
    again = estimate_effects([replace(b, outcomes=_losses(b)) for b in season])
    assert again.equals(effects)


def test_no_change_no_effects(season):
    assert estimate_effects([replace(season[0], changes=[])]).is_empty()
    assert estimate_effects([]).is_empty()


def test_reasons_name_the_moment(effects):
    """Times are the log's own, in UTC."""
    times = effects.filter(pl.col("scope") == "adjustment")["time"]
    assert times.null_count() == 0
    assert times.min() > datetime(2026, 7, 1, tzinfo=UTC)


@pytest.mark.seconds
def test_two_quick_steps_of_one_setting_are_not_each_given_the_effect_of_both():
    """A minute apart nothing tells them apart: one row from first to last, or rows marked as joint."""
    script = ((30.0, (("fan_speed", 1),)), (31.0, (("fan_speed", 1),)))
    made = replace(
        SCENARIOS["plain"], fields=2, machines=2, hours=2.0, operator=Operator(script=(script, script))
    )
    fields = [
        prepare(m.readings, real_adjustments(m.adjustments.with_row_index("row")))[0]
        for m in simulate_season(made, 3).iter()
    ]
    found = estimate_effects([replace(b, outcomes=_losses(b)) for b in fields])
    rows = found.filter(
        (pl.col("scope") == "adjustment")
        & (pl.col("outcome") == "separation_loss")
        & pl.col("log_ratio").is_not_null()
    )
    per_field = rows.group_by("field").agg(pl.len(), pl.col("joint_id").n_unique().alias("ids"))
    alone = rows.filter(pl.col("joint_id").is_null()).group_by("field").len()["len"]
    assert per_field.height == 2
    assert (alone <= 1).all()


def test_an_adjustment_goes_with_the_measure_in_which_its_setting_is_pooled():
    """50 rpm on a drum of 0.60 m are pi x 0.60 x 50 / 60 = 1.5708 steps of 1 m/s."""
    farm = parse_farm("[machines.A]\ndrum_diameter_m = 0.6\n")
    row = adjustment("threshing_speed", "800", "850") | {"machine": "A"}
    by_rpm = ("threshing_speed", None, None, 50.0, "rpm")
    by_tip = ("threshing_speed", None, None, 1.0, "m/s")
    assert key_and_amount(row, {by_tip}, farm) == (by_tip, pytest.approx(1.5708, abs=5e-5))
    assert key_and_amount(row, {by_rpm}, farm) == (by_rpm, 1.0)
    assert key_and_amount(row, {by_rpm, by_tip}, farm) == (by_rpm, 1.0)
    assert key_and_amount(row | {"machine": "B"}, {by_tip}, farm) == (by_rpm, 1.0)
    fan = adjustment("fan_speed", "800", "850") | {"machine": "A"}
    assert key_and_amount(fan, {by_tip}, farm) == (("fan_speed", None, None, 50.0, "rpm"), 1.0)


def test_a_clear_range_is_called_at_every_scope_and_no_other_is(effects):
    known = effects.filter(pl.col("verdict") != "cannot tell")
    clear = (known["log_ratio_low"] > 0) | (known["log_ratio_high"] < 0)
    assert known.height > 0
    assert set(known["scope"]) == {"adjustment", "field", "machine", "season"}
    assert (clear == known["verdict"].is_in(["less", "more"])).all()
    chance = known["chance_less"]
    assert (chance.is_between(0, 1) & ((known["log_ratio"] < 0) == (chance > 0.5))).all()


def test_every_row_but_the_seasons_has_what_its_logs_say_alone(effects):
    known = effects.filter(pl.col("verdict") != "cannot tell")
    alone = known.group_by("scope").agg(pl.col("alone_log_ratio").is_not_null().all())
    assert dict(alone.rows()) == {"adjustment": True, "field": True, "machine": True, "season": False}
    threshing = known.filter(pl.col("setting") == "threshing_speed", pl.col("outcome") == "separation_loss")
    assert dict(threshing.group_by("scope").agg(pl.col("shared_with").max()).rows()) == {
        "adjustment": 1, "field": 1, "machine": 1, "season": 0,
    }  # fmt: skip
    assert set(threshing["tried_low"].drop_nulls()) == {900.0}
    assert set(threshing["tried_high"].drop_nulls()) == {950.0}


def _refused(binned: Binned) -> Binned:
    """The field job at other feed rates after its last change than before it."""
    late = binned.step == len(binned.changes)
    return replace(binned, feed_t_h=np.where(late, 9 * binned.feed_t_h, binned.feed_t_h))


@pytest.mark.seconds
def test_what_was_refused_is_never_used(season, effects):
    """Where feed rates do not overlap in any field, no wider row may call an effect from those changes."""
    found = estimate_effects([replace(_refused(b), outcomes=_losses(b)) for b in season])
    of_setting = found.filter(pl.col("setting") == "threshing_speed", pl.col("outcome") == "separation_loss")
    assert of_setting.select("scope", "verdict").unique().rows() == [("adjustment", "cannot tell")]
    assert all("no_overlap" in said for said in of_setting["reasons"])
    assert of_setting["log_ratio"].null_count() == of_setting.height
    one = estimate_effects([replace(_refused(season[0]), outcomes=_losses(season[0])),
                            replace(season[1], outcomes=_losses(season[1]))])  # fmt: skip
    pooled = one.filter(pl.col("scope") == "season", pl.col("outcome") == "separation_loss")
    assert pooled["adjustments_pooled"].to_list() == [1]


def test_a_test_up_and_back_compares_its_two_values():
    """One field, up two steps, back and up again: one row from the first value to the second."""
    moves = tuple((40.0 * (i + 1), (("rotor_speed", 2 if i % 2 == 0 else -2),)) for i in range(3))
    operator, effects = Operator(script=(moves,)), Effects(stated=(("rotor_speed", "separation", -0.3),))
    made = replace(SCENARIOS["plain"], fields=1, machines=1, hours=2.75, operator=operator, effects=effects)
    (one,) = simulate_season(made, 8).iter()
    binned, _ = prepare(one.readings, real_adjustments(one.adjustments.with_row_index("row")))
    found = estimate_effects([replace(binned, outcomes=_losses(binned))])
    row, step = (
        found.filter(pl.col("scope") == scope, pl.col("outcome") == "separation_loss").row(0, named=True)
        for scope in ("field", "machine")
    )
    first = one.adjustments.row(0, named=True)
    assert (row["from_value"], row["to_value"]) == (first["from_value"], first["to_value"])
    assert row["per_step"] is None
    steps = (float(row["to_value"]) - float(row["from_value"])) / step["per_step"]
    assert row["adjustments_pooled"] == 3
    # A field's effect is the machine's and what is its own; from one field the machine's is drawn more to zero.
    assert row["log_ratio"] == pytest.approx(steps * step["log_ratio"], rel=0.5)
    assert row["log_ratio"] < -0.2
    assert (row["tried_low"], row["tried_high"]) == tuple(
        sorted(map(float, (row["from_value"], row["to_value"])))
    )
