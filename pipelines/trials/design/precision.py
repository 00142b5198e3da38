"""How precisely a trial will measure the effect of its values, before it is driven.

The effects are generalised least squares on the values in force, se = (x' M V^-1 M x)^(-1/2) with M taking the mean
out: the estimator's own solution and the season's own noise, laid over the work as it will be driven.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import BIN_S
from chaffinch.pipelines.estimate.data.changes import WASHED_OUT_S
from chaffinch.pipelines.estimate.model.bin_means import apart
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.ground import ground_basis
from chaffinch.pipelines.estimate.model.likelihood import solve
from chaffinch.pipelines.estimate.model.noise import Noise
from scipy.special import ndtri

# Switches that a driver notes.
LEFT_OUT_S = sum(WASHED_OUT_S)
# A change called with a 95 % range and with a power of 80 % is this many standard errors: 1.96 + 0.84.
DETECTABLE_ERRORS = REACH_95 + float(ndtri(0.8))


@dataclass(frozen=True, slots=True)
class TrialNoise(Noise):
    """Noise on the log scale, with time scales of any kind."""

    own_scales_s: Array = field(default_factory=lambda: np.array([]))

    @property
    def scales_s(self) -> Array:
        return self.own_scales_s


@dataclass(frozen=True, slots=True)
class Driven:
    """Steady work in bins: middle [s] and length [s] of each, shape (n,). A length of 0 is a moment of one second.

    along_m, across_m : place of each bin, (n,), along the passes and across them; None where it does not matter.
    """

    time_s: Array
    seconds: Array
    along_m: Array | None = None
    across_m: Array | None = None


@dataclass(frozen=True, slots=True)
class WorkPattern:
    """How a machine drives: seconds of steady work in a pass, and seconds from there to the next one; its speed and
    width. Passes lie side by side, driven to and fro."""

    pass_s: float = 240.0
    turn_s: float = 45.0
    speed_m_s: float = 1.6
    width_m: float = 9.0

    def driven(self, hours: float) -> Driven:
        """Steady work of so many hours by the clock, in bins of ten seconds."""
        round_s = self.pass_s + self.turn_s
        passes = np.arange(int(np.ceil(3600 * hours / round_s)))
        within = np.arange(0.0, self.pass_s - BIN_S / 2, BIN_S) + BIN_S / 2
        time_s = (passes[:, None] * round_s + within[None, :]).ravel()
        along = np.where(passes[:, None] % 2 == 0, within[None, :], self.pass_s - within[None, :]).ravel()
        across = np.repeat(passes * self.width_m, within.size)
        done = time_s < 3600 * hours
        time_s = time_s[done]
        return Driven(time_s, np.full(time_s.size, BIN_S), self.speed_m_s * along[done], across[done])


def errors_of_values(
    driven: Driven, ends_s: Sequence[float], states: Sequence[Sequence[float]], noise: TrialNoise,
    left_out_s: float = LEFT_OUT_S,
) -> Array:  # fmt: skip
    """Covariance (p, p) of the log effects of a trial.

    ends_s : end of each step [s]. states : (steps, p) of what is in force in each step, in columns of the effects
    wanted (1 where the value is not the first one, or products of these). left_out_s : seconds after each change of
    state that are not used.
    """
    ends, state = np.asarray(ends_s, dtype=float), np.asarray(states, dtype=float)
    step = np.minimum(np.searchsorted(ends, driven.time_s, side="right"), ends.size - 1)
    changed = np.append(True, (np.diff(state, axis=0) != 0).any(axis=1))
    # The moment of the last change of state before each step.
    since = np.maximum.accumulate(np.where(changed, np.append(0.0, ends[:-1]), 0.0))
    first = since[step] == 0
    half = driven.seconds / 2
    keep = (first | (driven.time_s - half >= since[step] + left_out_s - 1e-9)) & (driven.time_s < ends[-1])
    design = np.column_stack([state[step], np.ones(step.size)])[keep]
    time_s, seconds = driven.time_s[keep], driven.seconds[keep]
    single = seconds == 0
    lengths = None if single.all() else apart(time_s, seconds)
    white = 1.0 / np.where(single, 1.0, seconds)
    ground = None
    if noise.ground_variance > 0 and driven.along_m is not None and driven.across_m is not None:
        # What passes side by side share is told apart from the values, as in the fit.
        ground = ground_basis(driven.along_m[keep], driven.across_m[keep])
    observed = Observations(time_s, design, np.zeros(time_s.size), white, ground, lengths)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return np.full((state.shape[1], state.shape[1]), np.inf)
    size = state.shape[1]
    return solve(observed, noise).covariance[:size, :size]


def detectable_percent(se_log: float) -> float:
    """Smallest fall of the loss, %, that is called with 80 % power at a standard error on the log scale."""
    return float(-100 * np.expm1(-DETECTABLE_ERRORS * se_log))


def needed_error(tell_percent: float) -> float:
    """Standard error on the log scale at which a fall by ``tell_percent`` is called with 80 % power."""
    return float(-np.log1p(-tell_percent / 100) / DETECTABLE_ERRORS)


def settled_percent(se_log: float) -> float:
    """Upper half of the 95 % range of one look around no change, %."""
    return float(100 * np.expm1(REACH_95 * se_log))


def power(effect_log: float, se_log: float) -> float:
    """Probability that an effect is called with its own sign, from a normal estimate with a 95 % range."""
    from scipy.special import ndtr

    return float(ndtr(abs(effect_log) / se_log - REACH_95))
