"""What is kept of a season: a night with one new field job says what a night that fits everything anew says."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from builders.kept_seasons import binned_season, kept_night
from chaffinch.pipelines.estimate import estimate_answers
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.kept import kept_season
from chaffinch.pipelines.estimate.kept.hardly_moved import moved_by
from chaffinch.pipelines.estimate.kept.kept_rows import kept_of, season_fit_rows
from chaffinch.pipelines.estimate.kept.kept_season import KeptSeason
from chaffinch.pipelines.estimate.model import season_fit
from chaffinch.pipelines.estimate.results import spread_draws
from chaffinch.pipelines.estimate.signals.exponents import Power
from chaffinch.pipelines.estimate.signals.gain_moves import GainMove
from chaffinch.pipelines.estimate.signals.known_signals import KnownSignals
from chaffinch.pipelines.estimate.two_steps import as_fitted
from chaffinch.pipelines.parallel.fan_out import one_by_one

pytestmark = pytest.mark.slow

FIELDS = 5
NIGHT = datetime(2026, 8, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def patched():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept_season, "FEWEST_JOBS", 3)
        patch.setattr(kept_season, "MOST_GROWTH", 1.5)
        # What follows holds for any number of draws.
        patch.setattr(spread_draws, "WARM_UP", 10)
        patch.setattr(spread_draws, "SWEEPS", 256)
        yield


@pytest.fixture(scope="module")
def fields(patched) -> list[Binned]:
    return binned_season(77, fields=FIELDS)


@pytest.fixture(scope="module")
def first(fields):
    """Rows kept of a night without the last field job."""
    kept = KeptSeason()
    kept_night(kept, fields[:-1], NIGHT)
    assert kept.refreshed
    return season_fit_rows(kept)


@pytest.fixture(scope="module")
def second(fields, first):
    """What is kept, and the answers, of a night with one more, its noise known."""
    kept = kept_of(first)
    # One of five may move the noise further than one of forty.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept_season, "TOLERANCE", np.inf)
        answers = kept_night(kept, fields, NIGHT + timedelta(days=1))
    assert not kept.refreshed
    return kept, answers


def test_what_is_kept_comes_back_bit_by_bit(first):
    assert season_fit_rows(kept_of(first)).sort("kind", "name").equals(first.sort("kind", "name"))


def test_what_loss_checks_told_of_the_signals_comes_back_whole():
    powers = {
        ("Combine A", "wheat"): Power(-0.2, 0.1, 8, 0.25, 0.07),
        ("Combine B", None): Power(0.1, 0.3, 0),
    }
    moves = {("Combine A", "wheat"): {"fan_speed": GainMove(0.05, 0.02, 0.03, float("inf"))}}
    signals = KnownSignals(powers=powers, moves=moves)
    back = kept_of(season_fit_rows(KeptSeason(fitted_at=NIGHT, signals=signals))).signals
    assert (back.powers, back.moves) == (powers, moves)


def test_under_the_same_noise_a_night_agrees_exactly_with_fitting_every_field_again(
    fields, first, second, monkeypatch
):
    monkeypatch.setattr(kept_season, "TOLERANCE", np.inf)
    bare = kept_of(first)
    bare.fits.clear()
    again = kept_night(bare, fields, NIGHT + timedelta(days=1))
    assert second[1].effects.equals(again.effects)
    assert second[1].responses.equals(again.responses)
    assert second[1].loss_curves.equals(again.loss_curves)


def test_only_the_new_field_job_is_fitted(fields, first, monkeypatch):
    monkeypatch.setattr(kept_season, "TOLERANCE", np.inf)
    fitted = []
    real = season_fit.fit_under

    def counted(binned, known, new):
        fitted.append(binned.field)
        return real(binned, known, new)

    monkeypatch.setattr(season_fit, "fit_under", counted)
    kept = kept_of(first)
    kept.begin(fields, NIGHT + timedelta(days=1))
    # As logged, before what a new job tells of its machine's signals moves the machine's other jobs.
    kept.fit(first_fields_as_fitted(fields, kept), kept_season.AS_LOGGED, one_by_one)
    assert set(fitted) == {fields[-1].field}


def first_fields_as_fitted(fields: list[Binned], kept: KeptSeason) -> list[Binned]:
    first, last = as_fitted(fields[:-1], None)[0], as_fitted(fields[-1:], None)[0]
    return [*first, *last]


def test_answers_are_near_those_from_scratch(fields, second):
    scratch = estimate_answers(fields)
    middle, far = moved_by(scratch.effects, second[1].effects)
    # Noise of four fields stands for that of five here; 40 and more differ far less.
    assert middle < 0.1
    assert far < 0.5


@pytest.mark.parametrize(
    ("days", "growth", "why"),
    [(8, 0, "week"), (-1, 0, "week"), (1, 3, "tenth")],
)
def test_the_noise_is_fitted_again_where_it_is_old_or_the_season_has_grown(fields, first, days, growth, why):
    kept = kept_of(first)
    later = [replace(b, field=f"More {i}", time_s=b.time_s + 1e6) for i, b in enumerate(fields[:growth])]
    kept.begin([*fields, *later], NIGHT + timedelta(days=days))
    assert why in kept.refreshed
    assert not kept.known
    assert not kept.fits


def test_the_noise_is_fitted_again_where_new_field_jobs_contradict_it(fields, first):
    """A field whose loss wanders ten times as far."""
    wild = {
        name: values + 0.5 * np.cumsum(np.random.default_rng(1).standard_normal(values.size))
        for name, values in fields[-1].outcomes.items()
    }
    kept = kept_of(first)
    some = [*fields[:-1], replace(fields[-1], outcomes=wild)]
    kept.begin(some, NIGHT + timedelta(days=1))
    season = kept.fit(some, kept_season.AS_LOGGED, one_by_one)
    assert kept.moved > kept_season.TOLERANCE
    assert "too far" in kept.refreshed
    assert len(season["separation_loss"].fields) == len(some)


def test_rows_of_another_program_are_not_used(first):
    import polars as pl

    other = first.with_columns(
        name=pl.when(pl.col("kind") == "season").then(pl.lit("another")).otherwise(pl.col("name"))
    )
    assert kept_of(other).fitted_at is None


def test_a_small_season_keeps_nothing(fields):
    kept = KeptSeason()
    kept.begin(fields[:2], NIGHT)
    assert season_fit_rows(kept).is_empty()
