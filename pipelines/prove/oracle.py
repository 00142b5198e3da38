"""An oracle: generalised least squares that is told the true noise of the scenario, and what no log tells.

No estimator that learns the noise from the same data can be expected to give narrower ranges that hold. It is
told the standard deviations and time scales of the fast and the slow noise; the white part is left to the
likelihood, since counting noise, the sensors' smearing and the flow sensor's noise add to the scenario's own.
It also knows by how much the clock of the settings log is off, and when a change was made that nobody wrote
down: without that it would be sure of what is not so. Of a sensor whose gain jumps it knows nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from chaffinch.pipelines.estimate.bins import Binned
from chaffinch.pipelines.estimate.clock_by_responses import on_one_clock
from chaffinch.pipelines.estimate.design import LOSSES, Design, build_design
from chaffinch.pipelines.estimate.likelihood import Whitened
from chaffinch.pipelines.prove.window_peers import LEVEL, PeerAnswer
from chaffinch.pipelines.simulate import Noise
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A step that differs from what the other columns can do by less than this many bins can't be told from them.
LEAST_OWN_BINS = 1.0


def knows(noise: Noise, outcome: str) -> bool:
    """Whether the noise is of two exponential scales and white, and bears on the outcome."""
    other = (noise.tail_sd, noise.many_scales_sd, noise.bursts_per_hour, noise.ground_sd)
    return outcome in LOSSES[:2] and not any(other) and noise.fast_sd > 0 and noise.slow_sd > 0


def oracle(
    binned: Binned,
    outcome: str,
    noise: Noise,
    clock_off_s: float = 0.0,
    not_logged_s: Sequence[float] = (),
) -> list[PeerAnswer]:
    """Effects of all changes of one machine-field under the true covariance.

    clock_off_s : of the settings log. not_logged_s : moments of changes that no log knows, seconds since 1970.
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import norm

    answers = {k: PeerAnswer(k, *[float("nan")] * 3) for k in range(len(binned.changes))}
    if clock_off_s:
        binned = on_one_clock(binned, clock_off_s)
    design = build_design(binned, outcome)
    if design is None:
        return list(answers.values())
    columns = _allowing_for(design, binned, not_logged_s)
    time_s, seconds = binned.time_s[design.use], binned.seconds[design.use]
    y = binned.outcomes[outcome][design.use]

    def solved(log_white: float) -> tuple[float, Array, Array]:
        white = float(np.exp(log_white))
        return generalised_least_squares(binned_covariance(time_s, seconds, noise, white), columns, y)

    best = minimize_scalar(
        lambda w: solved(w)[0], bounds=(-5.0, 3.0), method="bounded", options={"xatol": 0.02}
    )
    _, found, covariance = solved(float(best.x))
    for i, k in enumerate(design.steps):
        half = norm.ppf(0.5 + LEVEL / 2) * np.sqrt(covariance[i, i])
        answers[k] = PeerAnswer(k, float(found[i]), float(found[i] - half), float(found[i] + half))
    return list(answers.values())


def _allowing_for(design: Design, binned: Binned, not_logged_s: Sequence[float]) -> Array:
    """The design's columns with a step, after the others, for each change that no log knows and that can be told
    from the known ones."""
    entered_s = binned.time_s[design.use] + binned.loss_delay_s
    columns = design.columns
    for moment in not_logged_s:
        step = (entered_s >= moment).astype(float)
        others, *_ = np.linalg.lstsq(columns, step, rcond=None)
        own = step - columns @ others
        if own @ own > LEAST_OWN_BINS:
            columns = np.column_stack([columns, step])
    return columns


def binned_covariance(time_s: Array, seconds: Array, noise: Noise, second_variance: float) -> Whitened:
    """Factored covariance of bin means of the two exponential scales plus white noise, in O(n).

    The mean of an exponential correlation of scale s over bins of T and U seconds has covariance
    exp(-lag / s) sinh(T / 2s) / (T / 2s) sinh(U / 2s) / (U / 2s), and variance
    2 (s / T)^2 (T / s - 1 + exp(-T / s)): integrals of the exponential, own calculation.
    """
    from celerite2 import driver

    scales = np.array([noise.fast_scale_s, noise.slow_scale_s])
    variances = np.array([noise.fast_sd**2, noise.slow_sd**2])
    half = seconds[:, None] / (2 * scales)
    spread = np.sinh(half) / half
    own = (2 * half - 1 + np.exp(-2 * half)) / (2 * half**2)
    diagonal = own @ variances + second_variance / seconds
    left, right = variances * spread, spread.copy()
    diagonal, right = driver.factor(time_s, 1 / scales, diagonal, left, right, diagonal.copy(), right.copy())
    return Whitened(time_s, 1 / scales, left, right, diagonal)


def generalised_least_squares(covariance: Whitened, x: Array, y: Array) -> tuple[float, Array, Array]:
    """-2 restricted log likelihood (but for a constant), coefficients (p,), their covariance (p, p)."""
    both = covariance.whiten(np.column_stack([x, y]))
    white_x, white_y = both[:, :-1], both[:, -1]
    gram = white_x.T @ white_x
    inverse = np.asarray(np.linalg.inv(gram), dtype=np.float64)
    coefficients: Array = inverse @ (white_x.T @ white_y)
    rest = white_y - white_x @ coefficients
    deviance = covariance.log_determinant + np.linalg.slogdet(gram)[1] + rest @ rest
    return float(deviance), coefficients, inverse
