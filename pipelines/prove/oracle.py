"""An oracle: generalised least squares that is told how all that is left to chance is distributed.

It is told the variances and correlations of all that moves the loss without being logged: noise of every kind,
straw, which loads the machine unseen, and steps that no log tells of (a sensor's gain that jumps, a change that
nobody wrote down), how often they come and how high they are. It knows how slowly effects come in, and between what
bounds clocks are off. What chance made of it in this season it has to find in the log like anyone. Where the noise is
normal, no estimator that learns it from the same data can be expected to give narrower ranges that hold. The white
part is left to the likelihood, since counting noise, the sensors' smearing and the flow sensor's noise add to the
scenario's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.estimate.clocks.by_responses import on_one_clock
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import PLACES, Design, build_design
from chaffinch.pipelines.prove.drawn_effects import DrawnEffect, wandering
from chaffinch.pipelines.prove.oracle_clock import ClockAnswers
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
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Machine loss is the sum of two noises of unlike weight; of the other outcomes no noise is stated.
JUDGED = PLACES
# Log variance of a white second: bounds and, for the likelihood, what is close enough.
LOG_WHITE = (-6.0, 3.0)
CLOSE = 0.05
# Clocks that may be off are tried so far apart.
CLOCK_SPACING_S = 10.0


@dataclass(frozen=True, slots=True)
class OracleKnowledge:
    """What the oracle knows of one loss of one machine-field.

    effect : of a change, as drawn. more_over_time : variances of the log loss beside the noise's, each with its
    scale, s. ground : those that are bound to the ground, each with its length, m. clocks_s : by how much the
    settings log may be off, each as likely. fade_in_s : time constant of effects, 0 where they come at once.
    """

    noise: LossNoise
    effect: DrawnEffect
    more_over_time: tuple[VarianceOverScale, ...] = ()
    ground: tuple[VarianceOverScale, ...] = ()
    clocks_s: tuple[float, ...] = (0.0,)
    fade_in_s: float = 0.0

    @classmethod
    def of(cls, made: MachineField, scenario: Scenario, outcome: str) -> OracleKnowledge:
        """What there is to know of ``outcome``, one of ``JUDGED``, in a field made of ``scenario``."""
        loss = outcome.removesuffix("_loss")
        noise = made.noise.parameters
        unseen = _slope(made.noise.curves[loss], made.noise.conditions.feed_kg_s) * scenario.straw_sd
        bound = ((unseen**2, STRAW_LENGTH_M), (noise.ground_sd**2, noise.ground_length_m))
        return cls(
            noise,
            DrawnEffect.of(scenario, loss),
            wandering(scenario, loss),
            tuple((variance, length) for variance, length in bound if variance > 0),
            possible_clocks(scenario),
            scenario.effects.fade_in_s,
        )


def possible_clocks(scenario: Scenario) -> tuple[float, ...]:
    """Offsets of a settings log, s: evenly spread between the scenario's bounds, either way."""
    least, greatest = (60 * minutes for minutes in scenario.operator.clock_off_minutes)
    if not greatest:
        return (0.0,)
    off = np.linspace(least, greatest, max(round((greatest - least) / CLOCK_SPACING_S), 1) + 1)
    return (*(-off[::-1]).tolist(), *off.tolist())


def oracle(binned: Binned, outcome: str, told: OracleKnowledge) -> list[ClockAnswers]:
    """Effects of all changes of one machine-field under the true covariance, at each clock that is possible.

    Which of them is the right one all machine-fields of a machine tell together: see ``over_clocks``.
    """
    design = build_design(binned, outcome)
    if design is None:
        return [ClockAnswers(0.0, 0.0, no_answers(binned))]
    y, covariance_at = binned.outcomes[outcome][design.use], _covariance(binned, design, told)
    columns = coming_in(design, binned, told.fade_in_s)
    white = _white(lambda white: generalised_least_squares(covariance_at(white), columns, y)[0])
    if told.clocks_s == (0.0,):
        return [ClockAnswers(0.0, 0.0, _answers(binned, outcome, told, white))]
    factored = covariance_at(white)
    return [
        ClockAnswers(
            clock_s,
            _log_likelihood_of_clock(binned, design, y, factored, told, clock_s),
            _answers(on_one_clock(binned, clock_s), outcome, told, white),
        )
        for clock_s in told.clocks_s
    ]


def _white(deviance: Callable[[float], float]) -> float:
    """The white variance of a second at which ``deviance`` is least."""
    from scipy.optimize import minimize_scalar

    best = minimize_scalar(
        lambda w: deviance(float(np.exp(w))), bounds=LOG_WHITE, method="bounded", options={"xatol": CLOSE}
    )
    return float(np.exp(best.x))


def _answers(binned: Binned, outcome: str, told: OracleKnowledge, white: float) -> list[PeerAnswer]:
    """Effects from the bins that the estimator has, none of them near a change."""
    from scipy.stats import norm

    answers = no_answers(binned)
    design = build_design(binned, outcome)
    if design is None:
        return answers
    columns, y = coming_in(design, binned, told.fade_in_s), binned.outcomes[outcome][design.use]
    factored = _covariance(binned, design, told)(white)
    _, found, covariance = generalised_least_squares(factored, columns, y)
    halves = norm.ppf(0.5 + RANGE_LEVEL / 2) * np.sqrt(np.diag(covariance))
    for k, estimate, half in zip(design.steps, found, halves, strict=False):
        answers[k] = PeerAnswer(k, float(estimate), float(estimate - half), float(estimate + half))
    return answers


def no_answers(binned: Binned) -> list[PeerAnswer]:
    """Of the changes of a machine-field, whose numbers are their places in the list."""
    return [PeerAnswer(k, *[float("nan")] * 3) for k in range(len(binned.changes))]


def _log_likelihood_of_clock(
    binned: Binned, design: Design, y: Array, factored: Factored, told: OracleKnowledge, clock_s: float
) -> float:
    """Log likelihood of a clock, but for a constant, by all bins: one that lies near a change tells when it was.

    The two losses share part of their noise, so that two witnesses are worth less than two.
    """
    columns = coming_in(design, binned, told.fade_in_s, clock_s)
    # A change that a clock puts outside the log leaves nothing to be said of it.
    within = np.any(columns != 0, axis=0)
    steps = int(within[: len(design.steps)].sum())
    _, found, covariance = generalised_least_squares(factored, columns[:, within], y)
    return told.effect.log_bayes_factor(found[:steps], covariance[:steps, :steps]) / (1 + told.noise.shared)


def _covariance(binned: Binned, design: Design, told: OracleKnowledge) -> Callable[[float], Factored]:
    """The covariance of the bins as a function of the white variance of a second."""
    time_s, seconds = binned.time_s[design.use], binned.seconds[design.use]
    if not told.ground and not told.noise.bursts_per_hour:
        scales = [*time_scales(told.noise), *told.more_over_time]
        return lambda white: binned_covariance(time_s, seconds, scales, white)
    places_m = np.column_stack([binned.east_m, binned.north_m])[design.use]
    coloured = dense_covariance(time_s, places_m, seconds, told.noise, told.ground, told.more_over_time)
    return lambda white: Dense(
        np.asarray(np.linalg.cholesky(coloured + np.diag(white / seconds)), dtype=np.float64)
    )


def coming_in(design: Design, binned: Binned, fade_in_s: float, clock_off_s: float = 0.0) -> Array:
    """The design's columns, each change coming in as 1 - exp(-t / ``fade_in_s``) from its true moment on.

    A change that then has no bins before or after it becomes a column of zeros.
    """
    if not fade_in_s and not clock_off_s:
        return design.columns
    columns = design.columns.copy()
    entered_s, seconds = binned.time_s[design.use], binned.seconds[design.use]
    for i, k in enumerate(design.steps):
        since = entered_s - (binned.changes[k].first_s - clock_off_s)
        if since.min() >= 0 or since.max() < 0:
            columns[:, i] = 0.0
        elif fade_in_s:
            columns[:, i] = -np.expm1(-since.clip(0) / fade_in_s)
        else:
            # A bin in which the change falls has its share of it.
            columns[:, i] = (since / seconds + 0.5).clip(0, 1)
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
