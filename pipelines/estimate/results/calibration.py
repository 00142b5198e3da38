"""Loss checks give the loss signal its weight: kilograms behind the machine for one unit of signal."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import ENDS_95, REACH_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.season import FieldOutcome
from chaffinch.pipelines.estimate.results.capacity import FURTHEST, feed_contrast
from chaffinch.pipelines.estimate.results.gain_drift import GainCourse, gain_course
from chaffinch.pipelines.estimate.results.verdicts import Answer
from chaffinch.pipelines.work import cut_width_m, seconds_of

MachineCrop = tuple[str, str | None]

# The moment of a check is known to half a minute or so. Were the signal taken too narrowly about it, its own noise
# would make losses seem to go with a lower power of it (errors in a covariate).
WINDOW_S = 45.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """Log of kg/s lost per unit of the summed loss signals, with its standard error; ``checks`` behind it.

    course : how it went over the season; None where it is the same at any moment.
    """

    log_kg_s_per_unit: float
    error: float
    checks: int
    course: GainCourse | None = None

    def at(self, time_s: float) -> Calibration:
        """The calibration at one moment."""
        return self if self.course is None else Calibration(*self.course.at(time_s), self.checks)


def usable_pairs(pairs: Array) -> Array:
    """The rows of ``check_pairs`` whose numbers are known and above zero."""
    return pairs[np.isfinite(pairs).all(axis=1) & (pairs[:, :2] > 0).all(axis=1)]


def calibrate(pairs: Array) -> Calibration | None:
    """Calibration of one machine and crop from (n, 3): kg/s by a check, signal at its moment, the moment in s.

    The spread between checks tells their error and the drift of the gain between them; of one or two alone
    each is taken to be right within a fifth, the drift to be usual. The value itself is that of the last check.
    """
    pairs = usable_pairs(pairs)
    if len(pairs) == 0:
        return None
    course = gain_course(pairs[:, 2], np.log(pairs[:, 0] / pairs[:, 1]))
    return Calibration(*course.at(float(pairs[:, 2].max())), len(pairs), course)


def calibrate_all(pairs: Mapping[MachineCrop, Sequence[Array]]) -> dict[MachineCrop, Calibration]:
    """``calibrate`` for every machine and crop of which a loss check can be used; the pairs field by field."""
    found = {of: calibrate(np.concatenate(some)) for of, some in pairs.items()}
    return {of: one for of, one in found.items() if one is not None}


def calibration_of(binned: Binned, calibrations: Mapping[MachineCrop, Calibration]) -> Calibration | None:
    """What the loss signals of a field job weigh; those that are logged in kg/s weigh what they say."""
    return Calibration(0.0, 0.0, 0) if binned.calibrated else calibrations.get((binned.machine, binned.crop))


def check_pairs(marked: pl.DataFrame, checks: pl.DataFrame, loss_delay_s: float) -> Array:
    """Kg/s lost by a check, the signal around its moment, the moment in s: of one field job, shape (n, 3).

    marked : readings after ``mark_work``. checks : its loss checks with ``machine_loss_kg_ha``. The signal is
    the mean of the summed loss signals within 45 s of the moment at which the checked crop was cut.
    """
    time_s = seconds_of(marked["time"])
    signal = marked["separation_loss_aligned"].to_numpy() + marked["cleaning_loss_aligned"].to_numpy()
    area = marked["speed_m_s"].to_numpy() * cut_width_m(marked)
    inside = marked["pass_number"].is_not_null().to_numpy() & np.isfinite(signal) & np.isfinite(area)
    found = []
    for check in checks.iter_rows(named=True):
        near = inside & (np.abs(time_s - (check["time"].timestamp() - loss_delay_s)) <= WINDOW_S)
        if near.sum() >= 3 and check["machine_loss_kg_ha"] is not None:
            lost_kg_s = check["machine_loss_kg_ha"] * area[near].mean() / 1e4
            found.append((lost_kg_s, signal[near].mean(), check["time"].timestamp()))
    return np.array(found, dtype=float).reshape(-1, 3)


@dataclass(frozen=True, slots=True)
class Level:
    """Machine loss before a change, and the standard error of its log, which is that of the machine's calibration."""

    machine: str
    kg_ha: float
    error: float


def level_before(binned: Binned, k: int, calibrations: Mapping[MachineCrop, Calibration]) -> Level | None:
    """Machine loss in the work before change ``k``; None where no loss check weighs the machine's signals."""
    calibration = calibration_of(binned, calibrations)
    if calibration is None:
        return None
    calibration = calibration.at(binned.changes[k].first_s)
    level = float(np.exp(calibration.log_kg_s_per_unit)) * binned.around(k).signal_per_m2 * 1e4
    return Level(binned.machine, level, calibration.error) if np.isfinite(level) else None


def kg_ha(levels: Sequence[Level], found: Answer) -> tuple[float, float, float] | None:
    """Change of machine loss in kg/ha with its 95 % range, at the mean of the losses before; None without levels.

    The calibration's error is common to a machine and independent between machines. The range is that of the
    product of two independent log-normal errors, that of the level and that of the effect, by quadrature over both.
    """
    if not levels or not np.isfinite(found.log_ratio):
        return None
    from scipy.special import ndtri

    level = float(np.mean([one.kg_ha for one in levels]))
    by_machine: dict[str, float] = defaultdict(float)
    for one in levels:
        by_machine[one.machine] += one.kg_ha * one.error / (len(levels) * level)
    points = ndtri((np.arange(200) + 0.5) / 200)
    error = (found.high - found.low) / (2 * REACH_95)
    gains = np.exp(float(np.linalg.norm(list(by_machine.values()))) * points)
    changes = gains[:, None] * np.expm1(found.log_ratio + error * points)[None, :]
    low, high = level * np.quantile(changes, ENDS_95)
    return float(level * np.expm1(found.log_ratio)), float(low), float(high)


DRAWS = 2000


def capacity_at_share(
    fitted: FieldOutcome, k: int, effect: Answer, calibration: Calibration, share: float
) -> tuple[float, float, float] | None:
    """Change of the throughput at which a ``share`` of the grain is lost, by change ``k``, t/h, with 95 % range.

    fitted : machine loss, per grain that entered. effect : the change's effect on it. The loss curve before and
    after is solved for the share, over draws of the fitted coefficients, the effect and the calibration (common
    practice: parametric bootstrap). None where more than one draw in forty does not reach the share within a factor
    two of the feed rates driven: it would be a guess.
    """
    design, fit = fitted.design, fitted.fit
    # Points lie 4 % of feed rate apart; between them the curve is nearly straight.
    shifts = np.linspace(-FURTHEST, FURTHEST, 36)
    shapes = feed_contrast(design, shifts)
    feed = np.flatnonzero(shapes.any(axis=0))
    before = np.array([float(name == "intercept") for name in design.names])
    before[[design.names.index(f"step {j}") for j in design.steps if j < k]] = 1.0
    # Only the level before the change and the shapes of the curve matter, so only they are drawn.
    parts = np.vstack([before, np.eye(len(before))[feed]])
    middle, covariance = parts @ fit.coefficients, parts @ fit.covariance @ parts.T
    rng = np.random.default_rng([k, len(design.names)])
    drawn = np.vstack([middle, rng.multivariate_normal(middle, covariance, DRAWS, method="eigh")])
    spread = (effect.high - effect.low) / (2 * REACH_95)
    moved = effect.log_ratio + spread * np.r_[0.0, rng.standard_normal(DRAWS)]
    weight = calibration.log_kg_s_per_unit + calibration.error * np.r_[0.0, rng.standard_normal(DRAWS)]
    apart = drawn[:, 1:] @ shapes[:, feed].T + (drawn[:, 0] + weight - np.log(share))[:, None]
    at = [_crossing(apart, shifts), _crossing(apart + moved[:, None], shifts)]
    change = (1 - share) * design.feed_typical_t_h * (np.exp(at[1]) - np.exp(at[0]))
    if not np.isfinite(change[0]) or np.isnan(change).mean() > 1 / 40:
        return None
    low, high = np.nanquantile(change[1:], ENDS_95)
    return float(change[0]), float(low), float(high)


def _crossing(values: Array, shifts: Array) -> Array:
    """Where each row of ``values`` (d, r) first rises through zero, shape (d,); NaN where it does not."""
    rises = (values[:, :-1] < 0) & (values[:, 1:] >= 0)
    i = rises.argmax(axis=1)
    rows = np.arange(len(values))
    low, high = values[rows, i], values[rows, i + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = shifts[i] - low / (high - low) * (shifts[1] - shifts[0])
    return np.where(rises.any(axis=1), found, np.nan)
