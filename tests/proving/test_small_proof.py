"""A small season through the whole path, and the command that starts it."""

from __future__ import annotations

import json

import pytest
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.prove import PEERS, run_proof
from chaffinch.pipelines.prove.trial import ALONE, ORACLE, OURS, WINDOW_MEANS


def quiet(*_) -> None:
    pass


@pytest.fixture(scope="module")
def proof() -> dict:
    # A fixed seed, since nothing here is about chance: the methods' answers to three fields.
    return run_proof(
        ["joint_sometimes"], 1, quiet, quiet, seed=12, fields=3, peers=(WINDOW_MEANS, ORACLE), processes=1
    )


def test_every_method_is_scored_on_every_change(proof):
    scores = {s["method"]: s for s in proof["scores"]}
    assert list(scores) == [OURS, ALONE, WINDOW_MEANS, ORACLE]
    # Three fields, four adjustments each, two losses.
    assert {s["effects"] for s in scores.values()} == {24}


def test_joint_changes_are_there_and_none_is_given_to_one_setting(proof):
    ours = proof["scores"][0]
    assert ours["joint_changes"] > 0
    assert ours["joint_told_as_one"] == 0


def test_means_of_windows_claim_more_than_they_hold(proof):
    """Design finding: means of windows hold the truth far less than nine times in ten."""
    by_method = {s["method"]: s for s in proof["scores"]}
    assert by_method[WINDOW_MEANS]["coverage"] < 0.8 < by_method[ORACLE]["coverage"]
    assert by_method[WINDOW_MEANS]["width_to_oracle"] < 1 < by_method[ALONE]["width_to_oracle"] * 1.2


def test_sharing_narrows_ranges(proof):
    """Three fields share what they show; the oracle judges each change by its own log."""
    by_method = {s["method"]: s for s in proof["scores"]}
    assert by_method[OURS]["mean_width"] < 0.95 * by_method[ALONE]["mean_width"]
    assert by_method[OURS]["answered"] == by_method[ALONE]["answered"]


def test_the_result_is_plain_json_and_names_its_seed(proof):
    assert json.loads(json.dumps(proof, allow_nan=False))["seed"] == 12
    assert "Seed 12" in proof["sentences"][0]


def test_wider_rows_are_scored_by_scope_and_reported(proof):
    scopes = {one["scope"]: one for one in proof["scores_by_scope"]}
    assert {"field", "machine", "season"} <= set(scopes)
    assert all(one["answered"] > 0 for one in scopes.values())
    assert any(s.startswith("joint_sometimes, season: ") for s in proof["sentences"])


def test_figure_shows_every_method_and_both_panels(proof):
    from chaffinch.dashboards.figures.proof_figure import proof_figure

    figure = proof_figure(proof["scores"])
    names = [trace.name for trace in figure.data]
    assert sorted(set(names)) == sorted([OURS, ALONE, WINDOW_MEANS, ORACLE])
    ours = next(t for t in figure.data if t.name == OURS)
    assert ours.x[0] == pytest.approx(100 * proof["scores"][0]["coverage"])


def test_table_has_a_row_for_every_method(proof):
    from chaffinch.pipelines.prove.wording import score_table

    assert score_table(proof).row_count == 4


@pytest.mark.proof
def test_fresh_seeds_differ_from_call_to_call():
    said: list[str] = []
    for _ in range(2):
        run_proof(["no_effect"], 1, said.append, quiet, fields=1, peers=(), processes=1)
    seeds = [s for s in said if s.startswith("Seed")]
    assert len(set(seeds)) == 2
    assert sum(s.startswith("no_effect: ") for s in said) == 2


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"scenarios": ["calm"]}, "There is no scenario 'calm'. There are: plain,"),
        ({"peers": ("guess",)}, f"There is no peer 'guess'. There are: {', '.join(PEERS)}."),
        ({"outcomes": ("mood",)}, "There is no outcome 'mood'"),
        ({"fields": 0}, "at least one field job"),
        ({"seed": -1}, "whole number from 0 up"),
    ],
)
def test_a_wrong_call_is_reported(changes, what):
    asked = {"scenarios": ["plain"], "seasons": 1, "say": quiet, "step": quiet, **changes}
    with pytest.raises(CallError, match=what.replace(".", r"\.")):
        run_proof(**asked)
