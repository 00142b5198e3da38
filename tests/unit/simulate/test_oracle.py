"""Stated noise and truth belong together: an oracle that knows the noise holds the truth as often as it says.

This is the outside check of the whole simulator: generalised least squares with the exact covariance is
calibrated by theory (Aitken's theorem, from memory), so a range that misses too often means that the truth,
the noise parameters or the course do not describe what was made.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.simulate import MachineField, simulate_season


def standardised_misses(field: MachineField) -> list[float]:
    """(estimate - truth) / standard error of each adjustment and loss, by an oracle."""
    import celerite2
    from celerite2 import terms

    noise, course = field.noise.parameters, field.noise.course
    at_work = course["entered_kg_s"].to_numpy() > 0
    second = np.flatnonzero(at_work).astype(float)
    course = course.filter(pl.Series(at_work))
    process = celerite2.GaussianProcess(
        terms.RealTerm(a=noise.fast_sd**2, c=1 / noise.fast_scale_s)
        + terms.RealTerm(a=noise.slow_sd**2, c=1 / noise.slow_scale_s)
    )
    process.compute(second, diag=np.full(second.size, noise.white_sd**2))
    start = field.noise.course["time"][0]
    true = field.truth.sort("time")
    moments = [(moment - start).total_seconds() for moment in true["time"].unique().sort()]
    design = np.column_stack(
        [
            np.ones(second.size),
            np.log(course["load_kg_s"].to_numpy()),
            course["moisture_pct"].to_numpy() - 14.0,
            course["roll_deg"].to_numpy() ** 2,
            *[(second >= moment).astype(float) for moment in moments],
        ]
    )
    weighted = process.apply_inverse(design)
    covariance = np.linalg.inv(design.T @ weighted)
    misses: list[float] = []
    for loss in ("separation", "cleaning"):
        observed = (course[f"{loss}_log_share"] + course[f"{loss}_noise"]).to_numpy()
        found = (covariance @ (weighted.T @ observed))[4:]
        truth = true.filter(pl.col("outcome") == f"{loss}_loss")["log_ratio"].to_numpy()
        misses.extend((found - truth) / np.sqrt(np.diag(covariance))[4:])
    return misses


def oracle_cover(name: str, seeds: range) -> tuple[float, int]:
    misses = [
        miss
        for seed in seeds
        for index in range(16)
        for miss in standardised_misses(simulate_season(name, seed).machine_field(index))
    ]
    return float((np.abs(misses) < 1.96).mean()), len(misses)


@pytest.mark.seconds
@pytest.mark.parametrize(
    "name", ["plain", *(pytest.param(n, marks=pytest.mark.proof) for n in ("strong_drift", "reactive"))]
)
def test_an_oracle_holds_the_truth_as_often_as_it_says(name):
    """256 effects: standard error 1.4 %, so 95 % and three of them either way."""
    cover, effects = oracle_cover(name, range(101, 103))
    assert effects == 256
    assert 0.908 < cover < 0.992


@pytest.mark.proof
@pytest.mark.parametrize(
    "name", ["plain", "strong_drift", "reactive", "reactive_null", "speed_up", "moisture_falls"]
)
def test_an_oracle_over_many_seasons(name):
    """2560 effects: standard error 0.43 %; three of them either way."""
    cover, effects = oracle_cover(name, range(200, 220))
    assert effects == 2560
    assert 0.937 < cover < 0.963
