"""Machines of which nothing is new keep their rows while what all machines together say hardly moves."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from builders.kept_seasons import binned_season, keep_small_seasons, kept_night
from chaffinch.pipelines.estimate import Answers
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.kept import unchanged_machines
from chaffinch.pipelines.estimate.kept.hardly_moved import settled_effects, settled_responses
from chaffinch.pipelines.estimate.kept.kept_rows import kept_of, season_fit_rows
from chaffinch.pipelines.estimate.kept.kept_season import KeptSeason
from chaffinch.pipelines.estimate.kept.unchanged_machines import Basis
from polars.testing import assert_frame_equal

pytestmark = pytest.mark.slow

NIGHT = datetime(2026, 8, 1, tzinfo=UTC)
NEXT = NIGHT + timedelta(days=1)


@pytest.fixture(autouse=True, scope="module")
def small_seasons_are_kept():
    with pytest.MonkeyPatch.context() as patch:
        keep_small_seasons(patch)
        yield


@pytest.fixture(scope="module")
def fields() -> list[Binned]:
    """The last one tries no value beyond those of the others: that would change the scales of all."""
    return binned_season(79, fields=7, machines=3)


@pytest.fixture(scope="module")
def first(fields) -> tuple[pl.DataFrame, Answers]:
    """Rows kept of a night without the last field job, and its answers."""
    kept = KeptSeason()
    answers = kept_night(kept, fields[:-1], NIGHT)
    assert answers.unchanged == frozenset()
    return season_fit_rows(kept), answers


@pytest.fixture(scope="module")
def whole(fields, first) -> Answers:
    """All answers of the next night, as if nothing were known of unchanged machines."""
    kept = kept_of(first[0])
    kept.basis = Basis()
    return kept_night(kept, fields, NEXT)


def test_only_machines_with_something_new_are_answered(fields, first, whole):
    answers = kept_night(kept_of(first[0]), fields, NEXT)
    due = {f.machine for f in fields} - answers.unchanged
    assert fields[-1].machine in due
    assert answers.unchanged
    assert not answers.renewed
    for found, of_all in ((answers.effects, whole.effects), (answers.responses, whole.responses)):
        assert set(found["machine"]) == due
        # But for the rounding of sums over fewer machines.
        assert_frame_equal(found, of_all.filter(pl.col("machine").is_in(due)), rel_tol=1e-9, abs_tol=1e-12)
    assert answers.loss_curves.equals(whole.loss_curves)


def test_with_the_rows_that_stay_every_row_is_there_in_its_order(fields, first, whole):
    answers, before = kept_night(kept_of(first[0]), fields, NEXT), first[1]
    effects = settled_effects(before.effects, answers.effects, answers.unchanged)
    responses = settled_responses(before.responses, answers.responses, answers.unchanged)
    places = ["scope", "machine", "field", "crop", "time", "setting", "outcome"]
    assert effects.select(places).equals(whole.effects.select(places))
    of_curves = ["machine", "crop", "setting", "outcome"]
    assert (
        responses.select(of_curves)
        .unique()
        .sort(of_curves)
        .equals(whole.responses.select(of_curves).unique().sort(of_curves))
    )
    same = pl.col("machine").is_in(answers.unchanged) | pl.col("machine").is_null()
    assert effects.filter(same).equals(before.effects.filter(same))


def test_a_night_with_nothing_new_answers_nothing(fields, first):
    answers = kept_night(kept_of(first[0]), fields[:-1], NEXT)
    assert answers.unchanged == {f.machine for f in fields[:-1]}
    assert answers.effects.is_empty()
    assert answers.responses.is_empty()


def test_where_all_together_say_something_else_all_rows_are_made(fields, first, whole, monkeypatch):
    monkeypatch.setattr(unchanged_machines, "OF_NARROWEST", 0.0)
    kept = kept_of(first[0])
    answers = kept_night(kept, fields, NEXT)
    assert answers.renewed
    assert answers.unchanged == frozenset()
    assert answers.effects.equals(whole.effects)
    assert answers.responses.equals(whole.responses)
    # What was made in this night is what the next one is compared with.
    after = kept_night(kept, fields, NEXT + timedelta(days=1))
    assert after.unchanged == {f.machine for f in fields}


def test_drift_adds_up_from_the_night_that_made_all_rows(fields, first):
    kept = kept_of(first[0])
    before = deepcopy(kept.basis.common)
    kept_night(kept, fields, NEXT)
    assert kept.basis.common.keys() == before.keys()
    assert all(np.array_equal(kept.basis.common[name], before[name]) for name in before)


def test_a_value_noted_otherwise_is_new_evidence(fields, first):
    """The fits are the same: only what was set differs."""
    at = next(i for i, f in enumerate(fields[:-1]) if f.changes)
    change = fields[at].changes[0]
    noted = replace(change, rows=change.rows.with_columns(pl.lit("other").alias("to_value")))
    some = [*fields[:-1]]
    some[at] = replace(fields[at], changes=[noted, *fields[at].changes[1:]])
    answers = kept_night(kept_of(first[0]), some, NEXT)
    assert fields[at].machine not in answers.unchanged


def test_a_field_job_that_is_gone_is_new_evidence(fields, first):
    answers = kept_night(kept_of(first[0]), fields[1:-1], NEXT)
    assert fields[0].machine not in answers.unchanged
