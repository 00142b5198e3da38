"""An oracle: generalised least squares that is told the true noise of the scenario, and what no log tells.

No estimator that learns the noise from the same data can be expected to give narrower ranges that hold. It is
told variances and correlations of all that moves the loss without being logged: noise of every kind, and straw,
which loads the machine unseen. The white part is left to the likelihood, since counting noise, the sensors'
smearing and the flow sensor's noise add to the scenario's own. Beyond noise it knows by how much the clock of
the settings log is off, how slowly effects come in, when a sensor's gain jumped and when a change was made that
nobody wrote down: without these it would be sure of what is not so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.estimate.bins import Binned
from chaffinch.pipelines.estimate.clock_by_responses import on_one_clock
from chaffinch.pipelines.estimate.design import LOSSES, Design, build_design
from chaffinch.pipelines.prove.oracle_covariance import (
    Dense,
    Factored,
    Scale,
    binned_covariance,
    dense_covariance,
    time_scales,
)
from chaffinch.pipelines.prove.window_peers import LEVEL, PeerAnswer
from chaffinch.pipelines.simulate import MachineField, Noise, Scenario
from chaffinch.pipelines.simulate.crop_flow import STRAW_LENGTH_M
from chaffinch.pipelines.simulate.loss import LossCurve
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Machine loss is the sum of two noises of unlike weight; of the other outcomes no noise is stated.
JUDGED = LOSSES[:2]
# A step that differs from what the other columns can do by less than this many bins can't be told from them.
LEAST_OWN_BINS = 1.0
# Log variance of a white second: bounds and, for the likelihood, what is close enough.
LOG_WHITE = (-6.0, 3.0)
CLOSE = 0.05


@dataclass(frozen=True, slots=True)
class Told:
    """What the oracle knows of one loss of one machine-field.

    ground : variances of the log loss that are bound to the ground, each with its length, m. clock_off_s : of
    the settings log. fade_in_s : time constant of effects, 0 where they come at once. steps_s : moments, as crop
    enters, s since 1970, from which on the signal is another for a reason that no log knows.
    """

    noise: Noise
    ground: tuple[Scale, ...] = ()
    clock_off_s: float = 0.0
    fade_in_s: float = 0.0
    steps_s: tuple[float, ...] = ()

    @classmethod
    def of(cls, made: MachineField, scenario: Scenario, outcome: str) -> Told:
        """What there is to know of ``outcome``, one of ``JUDGED``, in a field made of ``scenario``."""
        loss = outcome.removesuffix("_loss")
        noise, sensors = made.noise.parameters, made.machine.instruments
        unseen = _slope(made.noise.curves[loss], made.noise.conditions.feed_kg_s) * scenario.straw_sd
        bound = ((unseen**2, STRAW_LENGTH_M), (noise.ground_sd**2, noise.ground_length_m))
        hidden = made.truth.filter(~made.truth["logged"])["time"].unique().sort()
        steps = [moment.timestamp() for moment in hidden]
        if loss in made.noise.gain_jump_s:
            first_s = made.noise.course["time"][0].timestamp()
            late_s = sensors.delay_s(loss) + sensors.loss_smear_s
            steps.append(first_s + made.noise.gain_jump_s[loss] - late_s)
        return cls(
            noise,
            tuple((variance, length) for variance, length in bound if variance > 0),
            made.machine.clock_off_s,
            scenario.effects.fade_in_s,
            tuple(steps),
        )


def oracle(binned: Binned, outcome: str, told: Told) -> list[PeerAnswer]:
    """Effects of all changes of one machine-field under the true covariance."""
    from scipy.optimize import minimize_scalar
    from scipy.stats import norm

    answers = {k: PeerAnswer(k, *[float("nan")] * 3) for k in range(len(binned.changes))}
    if told.clock_off_s:
        binned = on_one_clock(binned, told.clock_off_s)
    design = build_design(binned, outcome)
    if design is None:
        return list(answers.values())
    entered_s = binned.time_s[design.use]
    columns = allowing_for(fading(design, binned, told.fade_in_s), entered_s, told.steps_s)
    y, covariance_at = binned.outcomes[outcome][design.use], _covariance(binned, design, told)

    def solved(log_white: float) -> tuple[float, Array, Array]:
        return generalised_least_squares(covariance_at(float(np.exp(log_white))), columns, y)

    best = minimize_scalar(
        lambda w: solved(w)[0], bounds=LOG_WHITE, method="bounded", options={"xatol": CLOSE}
    )
    _, found, covariance = solved(float(best.x))
    for i, k in enumerate(design.steps):
        half = norm.ppf(0.5 + LEVEL / 2) * np.sqrt(covariance[i, i])
        answers[k] = PeerAnswer(k, float(found[i]), float(found[i] - half), float(found[i] + half))
    return list(answers.values())


def _covariance(binned: Binned, design: Design, told: Told) -> Callable[[float], Factored]:
    """The covariance of the bins as a function of the white variance of a second."""
    time_s, seconds = binned.time_s[design.use], binned.seconds[design.use]
    if not told.ground and not told.noise.bursts_per_hour:
        scales = time_scales(told.noise)
        return lambda white: binned_covariance(time_s, seconds, scales, white)
    places_m = np.column_stack([binned.east_m, binned.north_m])[design.use]
    coloured = dense_covariance(time_s, places_m, seconds, told.noise, told.ground)
    return lambda white: Dense(
        np.asarray(np.linalg.cholesky(coloured + np.diag(white / seconds)), dtype=np.float64)
    )


def fading(design: Design, binned: Binned, fade_in_s: float) -> Array:
    """The design's columns, each change coming in as 1 - exp(-t / ``fade_in_s``) from its moment on."""
    if not fade_in_s:
        return design.columns
    columns = design.columns.copy()
    entered_s = binned.time_s[design.use]
    for i, k in enumerate(design.steps):
        since = np.maximum(entered_s - binned.changes[k].first_s, 0.0)
        columns[:, i] = -np.expm1(-since / fade_in_s)
    return columns


def allowing_for(columns: Array, entered_s: Array, steps_s: Sequence[float]) -> Array:
    """``columns`` (n, p) with a step, after them, for each of ``steps_s`` that can be told from the others."""
    for moment in steps_s:
        step = (entered_s >= moment).astype(float)
        others, *_ = np.linalg.lstsq(columns, step, rcond=None)
        own = step - columns @ others
        if own @ own > LEAST_OWN_BINS:
            columns = np.column_stack([columns, step])
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
