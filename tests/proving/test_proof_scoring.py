"""The judge itself: hand-made answers and truths whose scores are counted by hand."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.prove.limits import coverage_limits, failings, false_limit
from chaffinch.pipelines.prove.scoring import (
    binomial_range,
    coverage_by_chance,
    reliability,
    score,
    stretch_to_hold,
)
from chaffinch.pipelines.prove.trial import (
    ANSWER_SCHEMA,
    JUDGED_SCHEMA,
    ORACLE,
    OURS,
    STRUCTURAL,
    ours_on_changes,
    truth_of_changes,
)
from chaffinch.pipelines.prove.window_peers import verdict_of

START = datetime(2026, 7, 20, 10, tzinfo=UTC)


def judged(rows: list[tuple], method: str = OURS, scenario: str = "plain") -> pl.DataFrame:
    """Rows (truth, estimate, low, high, verdict) as one method's answers to changes one minute apart."""
    return pl.DataFrame(
        [
            {
                "scenario": scenario,
                "seed": 1,
                "machine": "A",
                "field": "Mill",
                "change_time": START + timedelta(minutes=i),
                "outcome": "separation_loss",
                "method": method,
                "truth": truth,
                "truly_joint": False,
                "estimate": estimate,
                "low": low,
                "high": high,
                "verdict": verdict,
                "told_as_one": 0,
            }
            for i, (truth, estimate, low, high, verdict) in enumerate(rows)
        ],
        schema=JUDGED_SCHEMA,
    )


FIVE = [
    (0.0, 0.1, -0.1, 0.3, "no clear change"),  # held
    (0.0, 0.3, 0.1, 0.5, "more"),  # missed; a change called where there was none
    (-0.5, -0.4, -0.6, -0.2, "less"),  # held; right sign
    (-0.5, 0.4, 0.2, 0.6, "more"),  # missed; wrong sign
    (0.2, None, None, None, "cannot tell"),  # not answered
]


def test_five_effects_by_hand():
    (found,) = score(judged(FIVE))
    assert (found["effects"], found["answered"], found["held"]) == (5, 4, 2)
    assert found["share_answered"] == pytest.approx(0.8)
    assert found["coverage"] == pytest.approx(0.5)
    assert found["bias"] == pytest.approx((0.1 + 0.3 + 0.1 + 0.9) / 4)
    assert found["root_mean_square_error"] == pytest.approx(math.sqrt((0.01 + 0.09 + 0.01 + 0.81) / 4))
    assert found["mean_width"] == pytest.approx(0.4)
    assert found["slope"] == pytest.approx((0.5 * 0.4 - 0.5 * 0.4) / (0.25 + 0.25))
    assert (found["without_effect"], found["called_without_effect"]) == (2, 1)
    assert (found["verdicts_on_effects"], found["wrong_sign"]) == (2, 1)
    assert found["width_to_oracle"] is None


def test_the_called_by_hand():
    """Called: 0.3 against 0, -0.4 against -0.5, 0.4 against -0.5; only the second is held."""
    (found,) = score(judged(FIVE))
    assert (found["called"], found["share_called"]) == (3, 0.75)
    assert found["coverage_called"] == pytest.approx(1 / 3)
    assert found["exaggeration"] == pytest.approx((0.3 + 0.4 + 0.4) / (0 + 0.5 + 0.5))


def test_the_log_score_by_hand():
    """A range of 2 x 1.96 has a standard deviation of 1: -0.9189 for the truth at its middle, -1.4189 one away."""
    reach = 1.959964
    (found,) = score(
        judged([(0.0, 0.0, -reach, reach, "no clear change"), (1.0, 0.0, -reach, reach, "no clear change")])
    )
    assert found["log_score"] == pytest.approx(-0.9189 - 0.25, abs=1e-4)


def test_seasons_are_drawn_whole_for_what_chance_does():
    """Ten seasons of forty answers, each held whole or missed whole: chance is that of ten, not of four hundred."""
    rows = pl.DataFrame({"seed": np.repeat(range(10), 40), "held": np.repeat([True] * 8 + [False] * 2, 40)})
    low, high = coverage_by_chance(rows)
    assert high - low == pytest.approx(0.45, abs=0.11)
    few = rows.filter(pl.col("seed") < 4)
    assert coverage_by_chance(few) == binomial_range(160, 160)


def test_reliability_by_hand():
    rows = judged([(-0.1, -0.1, -0.3, 0.1, "no clear change")] * 3 + [(0.0, 0, -1, 1, "no clear change")])
    (tenth,) = reliability(rows.with_columns(pl.lit(0.83).alias("chance_less"), scope=pl.lit("adjustment")))
    assert (tenth["tenth"], tenth["cases"]) == (8, 4)
    assert (tenth["stated"], tenth["fell"]) == (pytest.approx(0.83), pytest.approx(3.5 / 4))


def test_a_number_without_a_verdict_is_no_answer():
    (found,) = score(judged([(0.0, 0.1, -5.0, 5.2, "cannot tell")]))
    assert found["answered"] == 0
    assert found["coverage"] is found["mean_width"] is found["coverage_low"] is None


def test_the_ends_of_a_range_belong_to_it():
    (found,) = score(judged([(0.3, 0.2, 0.1, 0.3, "more"), (0.1, 0.2, 0.1, 0.3, "more")]))
    assert found["held"] == 2


def test_small_effects_have_no_wrong_sign():
    """ln 1.02 = 0.0198: a true 1.5 % is left out, a true 3 % counts."""
    rows = [(0.015, -0.2, -0.3, -0.1, "less"), (0.03, -0.2, -0.3, -0.1, "less")]
    (found,) = score(judged(rows))
    assert (found["verdicts_on_effects"], found["wrong_sign"]) == (1, 1)


def test_widths_are_compared_on_the_effects_that_both_answered():
    """Ours answers the first two with widths 0.2 and 0.4; the oracle the last two with 0.2 and 1.0."""
    ours = judged(
        [
            (0, 0, -0.1, 0.1, "no clear change"),
            (0, 0, -0.2, 0.2, "no clear change"),
            (0, 0, -2, 2, "cannot tell"),
        ]
    )
    result = judged(
        [
            (0, None, None, None, "cannot tell"),
            (0, 0, -0.1, 0.1, "no clear change"),
            (0, 0, -0.5, 0.5, "no clear change"),
        ],
        ORACLE,
    )
    by_method = {s["method"]: s for s in score(pl.concat([ours, result]))}
    assert by_method[OURS]["width_to_oracle"] == pytest.approx(0.4 / 0.2)
    assert by_method[ORACLE]["width_to_oracle"] == pytest.approx(1.0)


def test_a_range_without_an_end_is_left_out_of_the_mean_width():
    """Ours 0.2, 0.2, 0.8 wide, the structural one 0.5, without end, 1.5: 1.0 over 2.0."""
    ours, theirs = (
        judged([(0, 0, -w / 2, w / 2, "no clear change") for w in widths], method)
        for widths, method in (((0.2, 0.2, 0.8), OURS), ((0.5, math.inf, 1.5), STRUCTURAL))
    )
    found = next(s for s in score(pl.concat([ours, theirs])) if s["method"] == OURS)
    assert found["width_to_structural"] == pytest.approx(0.5)


def test_widths_at_the_same_level_do_not_reward_a_method_for_being_too_sure():
    """Both miss by the same 0.01, 0.02, ... 1.00; the oracle's ranges are 0.1 wide, ours four times that.

    To hold 95 of 100 both must reach 0.95 to either side, so that neither is the wider one then.
    """
    misses = [k / 100 for k in range(1, 101)]
    ours, result = (
        judged([(0, m, m - half, m + half, "no clear change") for m in misses], method)
        for half, method in ((0.2, OURS), (0.05, ORACLE))
    )
    found = {s["method"]: s for s in score(pl.concat([ours, result]))}[OURS]
    assert found["width_to_oracle"] == pytest.approx(4.0)
    assert found["width_to_oracle_at_level"] == pytest.approx(1.0)


def test_misses_show_how_much_wider_ranges_must_be_to_hold():
    """Half-widths of 1 about 0, misses spread evenly from 0 to 2: 1.9 of them hold 95 %."""
    misses = pl.Series([2 * k / 1000 for k in range(1001)])
    low, high = (pl.Series([end] * 1001) for end in (-1.0, 1.0))
    assert stretch_to_hold(low, high, misses) == pytest.approx(1.9, abs=1e-6)


def test_scenarios_are_scored_apart():
    two = pl.concat([judged(FIVE), judged(FIVE[:1], scenario="reactive")])
    assert [(s["scenario"], s["effects"]) for s in score(two)] == [("plain", 5), ("reactive", 1)]


def test_exact_binomial_range():
    """9 of 10: 55.5 % to 99.7 %, the tabled exact range (Clopper and Pearson 1934; from memory)."""
    low, high = binomial_range(9, 10)
    assert (low, high) == (pytest.approx(0.555, abs=5e-4), pytest.approx(0.9975, abs=5e-4))


def test_peers_call_by_the_estimators_rule():
    """A range of 1.96 either way is clear of zero from there on."""
    result = [("more", 1.97), ("no clear change", 1.95), ("less", -1.97), ("no clear change", -1.95)]
    middles = pl.Series([z for _, z in result])
    rows = pl.DataFrame({"low": middles - 1.96, "high": middles + 1.96})
    found = rows.select(verdict_of(pl.col("low"), pl.col("high"))).to_series()
    assert found.to_list() == [word for word, _ in result]
    unknown = pl.DataFrame({"low": [math.nan, -math.inf], "high": [1.0, math.inf]})
    assert unknown.select(verdict_of(pl.col("low"), pl.col("high"))).to_series().to_list() == [
        "cannot tell",
        "no clear change",
    ]


def test_limits_of_coverage_are_those_claimed_where_effects_are_many_and_wider_where_few():
    assert coverage_limits(2000) == (0.91, 0.98)
    assert coverage_limits(300) == (0.91, 0.98)
    assert coverage_limits(299)[0] == pytest.approx(0.91, abs=0.01)
    low, high = coverage_limits(20)
    # Of 20 fair ranges, 5 or more miss with probability 0.0026, 6 or more with 0.0003 (binomial tables).
    assert low == pytest.approx(15 / 20)
    assert high == 1.0


def test_limit_of_calls_without_an_effect():
    assert false_limit(3000) == pytest.approx(0.05)
    # Of 10 at one in fifty, 3 or more are called with probability 0.0009, 4 or more with 0.00003.
    assert false_limit(10) == pytest.approx(0.3)


def _failings_of(**changes) -> list[str]:
    (one,) = score(judged(FIVE))
    fair = {"coverage": 0.95, "answered": 400, "without_effect": 0, "share_called_without_effect": None}
    return list(failings([{**one, **fair, **changes}]))


def test_failings():
    assert _failings_of() == []
    assert "outside 91.0 % to 98.0 %" in _failings_of(coverage=0.90)[0]
    # Holding more than 95 % is no fault of ranges that sharing has made narrower.
    assert _failings_of(coverage=0.99, width_to_alone=0.7) == []
    assert len(_failings_of(coverage=0.99, width_to_alone=1.1)) == 1
    assert len(_failings_of(without_effect=1000, share_called_without_effect=0.06)) == 1
    assert "one setting" in _failings_of(joint_told_as_one=2)[0]
    assert "no effect was estimated" in _failings_of(answered=0, coverage=None)[0]


def test_peers_may_fail():
    (one,) = score(judged(FIVE, method=ORACLE))
    assert list(failings([one])) == []


# What a simulated field knows: one lone adjustment and one joint change of two settings.
def _truth() -> pl.DataFrame:
    moment = pl.Datetime("us", "UTC")
    rows = [
        ("concave_clearance", 0, None, 0.2),
        ("fan_speed", 30, "A joint", 0.5),
        ("sieve_opening", 30.2, "A joint", 0.5),
    ]
    return pl.DataFrame(
        [
            {
                "time": START + timedelta(minutes=m),
                "logged_time": START + timedelta(minutes=m),
                "machine": "A",
                "field": "Mill",
                "setting": setting,
                "joint_id": joint,
                "logged": True,
                "outcome": "separation_loss",
                "log_ratio": effect,
            }
            for setting, m, joint, effect in rows
        ],
        schema_overrides={"time": moment, "logged_time": moment},
    )


def _changes(groups: list[list[int]]):
    from chaffinch.pipelines.estimate.data.changes import Change

    log = _truth().select("time", "setting")
    return [Change(0.0, 0.0, log[g]) for g in groups]


def test_a_joint_change_has_one_truth():
    found = truth_of_changes(_truth(), _changes([[0], [1, 2]]), ["separation_loss"])
    assert found["truth"].to_list() == [0.2, 0.5, 0.5]
    assert found["truly_joint"].to_list() == [False, True, True]
    assert found["change_time"].n_unique() == 2


def test_events_grouped_by_the_estimator_add_up():
    found = truth_of_changes(_truth(), _changes([[0, 1, 2]]), ["separation_loss"])
    assert found["truth"].to_list() == [pytest.approx(0.7)] * 3


def test_an_adjustment_in_no_change_still_counts():
    found = truth_of_changes(_truth(), _changes([[1, 2]]), ["separation_loss"])
    assert found.height == 3
    ours = ours_on_changes(found, _effects(["A joint", "A joint"], [1, 2]))
    assert ours.sort("change_time")["verdict"].to_list() == ["cannot tell", "more"]


def _effects(joint_ids: list[str | None], rows: list[int]) -> pl.DataFrame:
    log = _truth()[rows]
    return log.select("machine", "field", "time", "setting", "outcome").with_columns(
        pl.lit("adjustment").alias("scope"),
        pl.Series("joint_id", joint_ids, dtype=pl.String),
        pl.lit(0.5).alias("chance_less"),
        pl.lit("more").alias("verdict"),
        pl.lit(0.4).alias("log_ratio"),
        pl.lit(0.1).alias("log_ratio_low"),
        pl.lit(0.7).alias("log_ratio_high"),
    )


def test_a_joint_change_shown_as_a_single_one_is_counted():
    truth = truth_of_changes(_truth(), _changes([[0], [1, 2]]), ["separation_loss"])
    honest = ours_on_changes(truth, _effects([None, "J", "J"], [0, 1, 2]))
    wrong = ours_on_changes(truth, _effects([None, None, "J"], [0, 1, 2]))
    assert honest["told_as_one"].sum() == 0
    assert wrong["told_as_one"].sum() == 1
    assert honest.height == 2
    assert set(ANSWER_SCHEMA) <= set(honest.columns)
