"""An oracle: generalised least squares that knows the covariance of everything left to chance.

It knows the variances and correlations of all that moves the loss without being logged: noise of every kind,
straw, which loads the machine unseen, and the rate and size of unlogged steps (a sensor's gain that jumps, a change
nobody wrote down). It knows how slowly effects come in, and the clock of the settings log. What chance made of it
in this season it has to find in the log. Where the noise is normal, no estimator that learns it from the same data
can be expected to give narrower ranges that hold. The white variance is fitted, since counting noise, smearing
and the flow sensor's noise add to the scenario's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.clocks.by_responses import on_one_clock
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import PLACES, Design, build_design
from chaffinch.pipelines.prove.drawn_effects import wandering
from chaffinch.pipelines.prove.oracle_covariance import (
    Dense,
    Factored,
    VarianceOverScale,
    binned_covariance,
    dense_covariance,
    time_scales,
)
from chaffinch.pipelines.prove.window_peers import RANGE_LEVEL, PeerAnswer
from chaffinch.pipelines.simulate import LossNoise, MachineField, Scenario
from chaffinch.pipelines.simulate.crop_flow import STRAW_LENGTH_M
from chaffinch.pipelines.simulate.loss_model import LossCurve

# Machine loss is the sum of two noises of unlike weight; of the other outcomes no noise is stated.
JUDGED = PLACES
# Log variance of a white second: bounds and, for the likelihood, what is close enough.
LOG_WHITE = (-6.0, 3.0)
CLOSE = 0.05


@dataclass(frozen=True, slots=True)
class OracleKnowledge:
    """What the oracle knows about one loss in one field job.

    more_over_time : variances of the log loss besides the noise's, each with its scale, s. ground : those that are
    bound to the ground, each with its length, m. clock_off_s : of the settings log. fade_in_s : time constant of
    effects, 0 where they come at once.
    """

    noise: LossNoise
    more_over_time: tuple[VarianceOverScale, ...] = ()
    ground: tuple[VarianceOverScale, ...] = ()
    clock_off_s: float = 0.0
    fade_in_s: float = 0.0

    @classmethod
    def of(cls, made: MachineField, scenario: Scenario, outcome: str) -> OracleKnowledge:
        """Of ``outcome``, one of ``JUDGED``, in a field made of ``scenario``."""
        loss = outcome.removesuffix("_loss")
        noise = made.noise.parameters
        unseen = _slope(made.noise.curves[loss], made.noise.conditions.feed_kg_s) * scenario.straw_sd
        bound = ((unseen**2, STRAW_LENGTH_M), (noise.ground_sd**2, noise.ground_length_m))
        return cls(
            noise,
            wandering(scenario, loss),
            tuple((variance, length) for variance, length in bound if variance > 0),
            made.machine.clock_off_s,
            scenario.effects.fade_in_s,
        )


def oracle(binned: Binned, outcome: str, knowledge: OracleKnowledge) -> list[PeerAnswer]:
    """Effects of all changes of one field job under the true covariance and the true clock."""
    from scipy.stats import norm

    if knowledge.clock_off_s:
        binned = on_one_clock(binned, knowledge.clock_off_s)
    answers = [PeerAnswer(k, *[float("nan")] * 3) for k in range(len(binned.changes))]
    design = build_design(binned, outcome)
    if design is None:
        return answers
    columns, y = coming_in(design, binned, knowledge.fade_in_s), binned.outcomes[outcome][design.use]
    covariance_at = _covariance(binned, design, knowledge)
    white = _white(lambda white: generalised_least_squares(covariance_at(white), columns, y)[0])
    _, found, covariance = generalised_least_squares(covariance_at(white), columns, y)
    halves = norm.ppf(0.5 + RANGE_LEVEL / 2) * np.sqrt(np.diag(covariance))
    for k, estimate, half in zip(design.steps, found, halves, strict=False):
        answers[k] = PeerAnswer(k, float(estimate), float(estimate - half), float(estimate + half))
    return answers


def _white(deviance: Callable[[float], float]) -> float:
    """The white variance of a second at which ``deviance`` is least."""
    from scipy.optimize import minimize_scalar

    best = minimize_scalar(
        lambda w: deviance(float(np.exp(w))), bounds=LOG_WHITE, method="bounded", options={"xatol": CLOSE}
    )
    return float(np.exp(best.x))


def _covariance(binned: Binned, design: Design, knowledge: OracleKnowledge) -> Callable[[float], Factored]:
    """The covariance of the bins as a function of the white variance of a second."""
    time_s, seconds = binned.time_s[design.use], binned.seconds[design.use]
    if not knowledge.ground and not knowledge.noise.bursts_per_hour:
        scales = [*time_scales(knowledge.noise), *knowledge.more_over_time]
        return lambda white: binned_covariance(time_s, seconds, scales, white)
    places_m = np.column_stack([binned.east_m, binned.north_m])[design.use]
    coloured = dense_covariance(
        time_s, places_m, seconds, knowledge.noise, knowledge.ground, knowledge.more_over_time
    )
    return lambda white: Dense(
        np.asarray(np.linalg.cholesky(coloured + np.diag(white / seconds)), dtype=np.float64)
    )


def coming_in(design: Design, binned: Binned, fade_in_s: float) -> Array:
    """The design's columns, each change coming in as 1 - exp(-t / ``fade_in_s``) from its moment on."""
    if not fade_in_s:
        return design.columns
    columns = design.columns.copy()
    for i, k in enumerate(design.steps):
        since = binned.time_s[design.use] - binned.changes[k].first_s
        columns[:, i] = -np.expm1(-since.clip(0) / fade_in_s)
    return columns


def _slope(curve: LossCurve, feed_kg_s: float) -> float:
    """d ln(loss share) / d ln(feed rate) at a feed rate, by central difference."""
    near = feed_kg_s * np.exp([-0.01, 0.01])
    low, high = curve.log_share(near, np.full(2, curve.rated_moisture_pct), np.zeros(2))
    return float((high - low) / 0.02)


def generalised_least_squares(covariance: Factored, x: Array, y: Array) -> tuple[float, Array, Array]:
    """-2 restricted log likelihood (but for a constant), coefficients (p,), their covariance (p, p)."""
    both = covariance.whiten(np.column_stack([x, y]))
    white_x, white_y = both[:, :-1], both[:, -1]
    gram = white_x.T @ white_x
    inverse = np.asarray(np.linalg.inv(gram), dtype=np.float64)
    coefficients: Array = inverse @ (white_x.T @ white_y)
    rest = white_y - white_x @ coefficients
    deviance = covariance.log_determinant + np.linalg.slogdet(gram)[1] + rest @ rest
    return float(deviance), coefficients, inverse
