"""With which power of the loss a machine's signals go, from loss checks at different levels.

    ln loss = g(t) + q ln signal + e        ln q_m ~ N(mu, sigma^2 / 4),  mu ~ N(0, 3 sigma^2 / 4)

g is the log gain, a random walk (``gain_drift``); e the error of one check. A signal that flattens (a full tray of
kernels, a sensor that counts two strikes as one) has q above one: effects on it are smaller than effects on the loss.
Each machine and crop has its own power. Sensors of one farm are mostly of one kind: their powers lie about a
mean mu; how far from one, sigma, is unknown too. So the checks of all machines count for each. All is integrated on
grids.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import LOSSES, PLACES
from chaffinch.pipelines.estimate.model.season import FARM_WIDE, FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.results.calibration import MachineCrop, usable_pairs
from chaffinch.pipelines.estimate.results.capacity import feed_slope
from chaffinch.pipelines.estimate.results.gain_drift import CHECK_ERROR_LOG, DAY_S, DRIFT_PRIOR, DRIFTS
from chaffinch.pipelines.work.random_effects import random_effects

# Share of the variance that powers of all machines have in common (common practice, no source).
IN_COMMON = 0.75
# Sigma and how likely each is beforehand. Most signals are nearly in proportion to the loss; exponents from 0.6 to
# 1.4 are no surprise (common practice, no source).
APART = np.array([0.02, 0.1, 0.2, 0.35])
APART_PRIOR = np.array([0.85, 0.08, 0.045, 0.025])
LOG_POWERS = np.linspace(-0.9, 0.9, 61)
# Standard error of one check: never better than ``CHECK_ERROR_LOG``.
LIKELY_ERRORS = CHECK_ERROR_LOG * 1.4 ** np.arange(7)
# The seconds of the pan and those of the log are not quite the same: standard error of the log signal of a check. A
# slope on a noisy covariate is too small (regression calibration: Carroll et al. 2006, Measurement Error in Nonlinear
# Models, 2nd ed., ch. 4).
SIGNAL_ERROR_LOG = 0.05
# A power that checks alone know this well (standard error of its log) is settled; one this many errors from one is
# worth a word.
SETTLED, CLEARLY = 0.22, 2.0
# Slopes d ln(loss share) / d ln(feed rate) that machines have (common practice, no source).
SLOPES_OF_LOSSES = (0.5, 3.5)
# Of its error: a power that moved by no more stays as it was.
NEARLY = 0.1
# Checks beyond these are too many to matter, and would take long.
MOST_CHECKS = 300


@dataclass(frozen=True, slots=True)
class Power:
    """Loss goes with the signal to ``exp(log)``.

    error : posterior standard deviation of ``log``; common : of the part that all machines share.
    by_checks : that of the machine's checks alone, infinite without.
    """

    log: float
    error: float
    checks: int
    by_checks: float = float("inf")
    common: float = 0.0

    @property
    def doubts(self) -> tuple[str, ...]:
        """Codes of what a reader of an effect should know."""
        open_still = ("signal_may_bend",) if self.by_checks > SETTLED else ()
        return ("signal_bends",) if abs(self.log) > CLEARLY * self.error else open_still

    @property
    def value(self) -> float:
        return float(np.exp(self.log))

    def is_near(self, other: Power) -> bool:
        """Whether both are the same within a tenth of their error, and leave the same doubts."""
        apart = max(abs(self.log - other.log), abs(self.error - other.error))
        return apart <= NEARLY * other.error and self.doubts == other.doubts


def powers_of(pairs: Mapping[MachineCrop, Sequence[Array]]) -> dict[MachineCrop, Power]:
    """Posterior of the power of each machine and crop; pairs : of ``check_pairs``, field by field, none where a
    machine has no checks."""
    known = {of: usable_pairs(np.concatenate([np.empty((0, 3)), *some])) for of, some in pairs.items()}
    logliks = {of: log_likelihood(some) for of, some in known.items()}
    of_mean = _normal(LOG_POWERS[None, :], np.sqrt(IN_COMMON) * APART[:, None])
    # (sigma, mean, power): of a power about the mean.
    about = _normal(LOG_POWERS - LOG_POWERS[:, None], np.sqrt(1 - IN_COMMON) * APART[:, None, None])
    seen = {of: np.exp(one - one.max()) for of, one in logliks.items()}
    # Of each sigma and mean the evidence of all machines together.
    score = np.log(APART_PRIOR)[:, None] + np.log(of_mean)
    score = score + sum(np.log(about @ one) for one in seen.values())
    weights = np.exp(score - score.max())
    weights /= weights.sum()
    means = weights.sum(axis=0)
    common = float(np.sqrt(means @ LOG_POWERS**2 - (means @ LOG_POWERS) ** 2))
    found = {}
    for of, one in seen.items():
        chance = np.einsum("sm,smp->p", weights / (about @ one), about) * one
        mean = float(chance @ LOG_POWERS)
        error = float(np.sqrt(chance @ (LOG_POWERS - mean) ** 2))
        alone = _spread_of(logliks[of]) if len(known[of]) > 1 else float("inf")
        found[of] = Power(mean, error, len(known[of]), alone, min(common, error))
    return found


def _spread_of(loglik: Array) -> float:
    """Standard deviation of the log power by its likelihood alone."""
    chance = np.exp(loglik - loglik.max())
    chance /= chance.sum()
    return float(np.sqrt(chance @ (LOG_POWERS - chance @ LOG_POWERS) ** 2))


def _normal(apart: Array, sd: Array) -> Array:
    """Chances of a normal distribution on a grid, the last axis; never quite nothing."""
    chances = np.exp(-0.5 * (apart / sd) ** 2) + 1e-300
    return np.asarray(chances / chances.sum(axis=-1, keepdims=True))


def log_likelihood(pairs: Array) -> Array:
    """Of each of ``LOG_POWERS``, by the checks ``pairs`` (n, 3): (powers,), the gain, its drift and the error of
    checks integrated out. Zero where there are fewer than two checks."""
    if len(pairs) < 2:
        return np.zeros(LOG_POWERS.size)
    pairs = pairs[np.argsort(pairs[:, 2], kind="stable")][-MOST_CHECKS:]
    days, lost, signal = pairs[:, 2] / DAY_S, np.log(pairs[:, 0]), np.log(pairs[:, 1])
    spread = float(signal.var(ddof=1)) if signal.size > 1 else 0.0
    believed = max(1 - SIGNAL_ERROR_LOG**2 / spread, 0.0) if spread > 0 else 0.0
    along = believed * (signal - signal.mean())
    logs = lost[:, None] - np.exp(LOG_POWERS) * along[:, None]
    # A local level with a diffuse start, for all powers, errors and drifts at once: (powers, errors, drifts).
    error, drift = LIKELY_ERRORS[:, None] ** 2, DRIFTS**2
    mean, variance = logs[0][:, None, None], np.broadcast_to(error, (LIKELY_ERRORS.size, DRIFTS.size))
    loglik = np.zeros((LOG_POWERS.size, LIKELY_ERRORS.size, DRIFTS.size))
    for gap, log in zip(np.diff(days).tolist(), logs[1:], strict=True):
        predicted = variance + drift * gap
        total, surprise = predicted + error, log[:, None, None] - mean
        loglik -= 0.5 * (np.log(total) + surprise**2 / total)
        mean = mean + predicted / total * surprise
        variance = predicted * error / total
    top = loglik.max()
    likelihood = (np.exp(loglik - top) @ DRIFT_PRIOR).mean(axis=1)
    return np.asarray(top + np.log(np.maximum(likelihood, 1e-300)))


@dataclass(frozen=True, slots=True)
class Straightened:
    """Machine-fields whose loss signals are proportional to the loss, their checks' pairs, and by which powers."""

    fields: list[Binned]
    pairs: dict[MachineCrop, list[Array]]
    powers: dict[MachineCrop, Power]

    def power_of(self, binned: Binned) -> Power:
        return power_of(binned, self.powers)


def power_of(binned: Binned, powers: Mapping[MachineCrop, Power]) -> Power:
    """The power of a field job; that of signals without a check is one, give or take what is usual."""
    if binned.calibrated:
        return Power(0.0, 0.0, 0)
    return powers.get((binned.machine, binned.crop), UNCHECKED)


_USUAL = float(np.sqrt(APART_PRIOR @ APART**2))
UNCHECKED = Power(0.0, _USUAL, 0, common=IN_COMMON**0.5 * _USUAL)


def straightened(
    fields: Sequence[Binned],
    pairs: Mapping[MachineCrop, Sequence[Array]],
    before: Mapping[MachineCrop, Power] | None = None,
) -> Straightened:
    """Each loss signal to the machine's most likely power, about the usual signal, which stays as it is.

    The pairs' signals are sums: they are taken to the power as a whole, in units of the field jobs' own sums.
    before : powers of an earlier night, which stay where checks since then moved them by next to nothing.
    """
    of_fields = {(b.machine, b.crop): pairs.get((b.machine, b.crop), ()) for b in fields if not b.calibrated}
    powers = powers_of(of_fields) if of_fields else {}
    powers |= {of: old for of, old in (before or {}).items() if of in powers and old.is_near(powers[of])}
    about: dict[MachineCrop, list[Array]] = defaultdict(list)
    single: dict[MachineCrop, list[Array]] = defaultdict(list)
    for binned in fields:
        about[binned.machine, binned.crop].append(binned.loss_signal)
        single[binned.machine, binned.crop] += [np.exp(one) for one in _log_signals(binned).values()]
    usual = {of: _usual(np.concatenate(some)) for of, some in about.items()}
    alone = {of: _usual(np.concatenate([np.empty(0), *some])) for of, some in single.items()}
    bent = {of for of, power in powers.items() if power.log != 0 and np.isfinite(usual[of] * alone[of])}
    made, ratios = [], defaultdict(list)
    for binned in fields:
        of = binned.machine, binned.crop
        if of not in bent or binned.calibrated:
            made.append(binned)
            continue
        one = _to_power(binned, powers[of].value, usual[of], alone[of])
        whole = usual[of] * (binned.loss_signal / usual[of]) ** powers[of].value
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.log(one.loss_signal / whole)
        ratios[of].append(ratio[np.isfinite(ratio)])
        made.append(one)
    moved = {}
    for of, some in pairs.items():
        moved[of] = [one.copy() for one in some]
        if of in bent:
            known = np.concatenate(ratios[of]) if ratios[of] else np.zeros(1)
            factor = usual[of] * float(np.exp(known.mean() if known.size else 0.0))
            for checks in moved[of]:
                checks[:, 1] = factor * (checks[:, 1] / usual[of]) ** powers[of].value
    return Straightened(made, moved, powers)


def _usual(signal: Array) -> float:
    """Geometric mean of the signals that are above zero."""
    above = signal[np.isfinite(signal) & (signal > 0)]
    return float(np.exp(np.log(above).mean())) if above.size else float("nan")


def _log_kept(binned: Binned) -> Array:
    """Log of the grain feed rate of the bins, kg/s."""
    return np.log(np.where(binned.feed_t_h > 0, binned.feed_t_h / 3.6, np.nan))


def _log_signals(binned: Binned) -> dict[str, Array]:
    """Log of each loss signal of the bins."""
    kept = _log_kept(binned)
    return {name: binned.outcomes[name] + kept for name in PLACES if name in binned.outcomes}


def _to_power(binned: Binned, power: float, usual: float, alone: float) -> Binned:
    """``binned`` with s -> alone (s / alone)^power for both loss signals; their sum is that of the new ones.

    usual : of the sum, which is taken to the power as a whole where one of the two is not known.
    """
    kept = _log_kept(binned)
    logs = {name: power * one + (1 - power) * np.log(alone) for name, one in _log_signals(binned).items()}
    outcomes = {**binned.outcomes, **{name: one - kept for name, one in logs.items()}}
    if "machine_loss" in binned.outcomes:
        total = np.logaddexp(*(np.where(np.isfinite(one), one, -np.inf) for one in logs.values()))
        known = np.isfinite(binned.outcomes["machine_loss"]) & np.isfinite(total)
        outcomes["machine_loss"] = np.where(known, total - kept, np.nan)
        signal = np.where(known, np.exp(total), usual * (binned.loss_signal / usual) ** power)
    else:
        signal = usual * (binned.loss_signal / usual) ** power
    return replace(binned, outcomes=outcomes, loss_signal=signal)


def allowing_for_powers(
    season: Mapping[str, SeasonOutcome], powers: Mapping[MachineCrop, Power]
) -> dict[str, SeasonOutcome]:
    """The season, with what the powers' errors may do to losses in their covariance.

    An effect on a loss is in proportion to the power, so its error is that of ln q times the effect, the same way
    round in all of a machine's fields. So is the whole curve of the loss rate, which is that of the loss share
    plus ln feed rate.
    """
    allowed = dict(season)
    for name in LOSSES:
        if name in season:
            fields = [_with_power(field, power_of(field.binned, powers)) for field in season[name].fields]
            allowed[name] = replace(season[name], fields=_with_doubtful_slopes(fields))
    return allowed


def _with_doubtful_slopes(fields: Sequence[FieldOutcome]) -> list[FieldOutcome]:
    """With a doubt where the slopes of a machine's fields on feed rate lie clearly beyond what machines have."""
    of_machine: dict[MachineCrop, list[tuple[float, float]]] = defaultdict(list)
    for field in fields:
        slope, error = feed_slope(field)
        if slope is not None and error:
            of_machine[field.binned.machine, field.binned.crop].append((slope, error**2))
    doubtful = set()
    for of, some in of_machine.items():
        slopes, variances = np.array(some).T
        middle, between = random_effects(slopes, variances)
        error = float((1 / (variances + between)).sum() ** -0.5)
        low, high = SLOPES_OF_LOSSES
        if middle + CLEARLY * error < low or middle - CLEARLY * error > high:
            doubtful.add(of)
    return [
        replace(field, doubts=(*field.doubts, "slope_doubtful"))
        if (field.binned.machine, field.binned.crop) in doubtful
        else field
        for field in fields
    ]


def _with_power(field: FieldOutcome, power: Power) -> FieldOutcome:
    if power.error == 0:
        return field
    names = field.design.names
    by_feed = np.array([float(name == "log feed") for name in names])
    # At the usual signal nothing moves.
    along = np.array([float(name != "intercept") for name in names])
    by_error = along * (field.fit.coefficients + by_feed)
    own = float(np.sqrt(power.error**2 - power.common**2))
    found = field.with_unknown("power", own * by_error)
    found = found.with_unknown(f"{FARM_WIDE}power", power.common * by_error)
    return replace(found, doubts=(*field.doubts, *power.doubts))
