"""All machine-fields of a season together: one noise per outcome, then every field's effects under it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from chaffinch.pipelines.estimate.bins import Binned
from chaffinch.pipelines.estimate.design import Design, build_design
from chaffinch.pipelines.estimate.fit import Fit, drift_deviances, fit_drift_spread, fit_effects
from chaffinch.pipelines.estimate.noise import Noise, Stretch, factor, fit_noise
from chaffinch.pipelines.estimate.placebo import Placebos, check_ranges, placebo_scores

Array = NDArray[np.float64]

# The noise of a season is as well known from two dozen fields as from hundreds.
MOST_FIELDS_FOR_NOISE = 24
# A bin further than this many standard deviations from what the bins before it foretell is a burst or a fault:
# its own variance is raised until it is just this far.
FAR_OFF = 3.0


@dataclass(frozen=True, slots=True)
class FieldOutcome:
    """One outcome of one machine-field, fitted. ``fit`` is on the log scale, as logged."""

    binned: Binned
    outcome: str
    design: Design
    fit: Fit


@dataclass(frozen=True, slots=True)
class SeasonOutcome:
    """One outcome of a season. ``noise`` is relative to each field's own fast noise."""

    outcome: str
    fields: list[FieldOutcome]
    noise: Noise | None
    placebos: Placebos


def fit_outcome(fields: Sequence[Binned], outcome: str) -> SeasonOutcome:
    """Fit one outcome over all machine-fields that know it."""
    designed = [
        (b, d) for b in fields if outcome in b.outcomes and (d := build_design(b, outcome)) is not None
    ]
    if not designed:
        return SeasonOutcome(outcome, [], None, Placebos.none())
    scaled = [_stretch(b, d, outcome) for b, d in designed]
    stretches, scales = [s for s, _ in scaled], [k for _, k in scaled]
    few = _spread_out(stretches, MOST_FIELDS_FOR_NOISE)
    first = fit_noise([stretches[i] for i in few])
    stretches = [without_bursts(s, first) for s in stretches]
    noise = fit_noise([stretches[i] for i in few], first)
    spread = fit_drift_spread(np.array([drift_deviances(stretches[i], noise) for i in few]))
    fits = [_rescaled(fit_effects(s, noise, spread), k) for s, k in zip(stretches, scales, strict=True)]
    scores = np.concatenate(
        [placebo_scores(s, noise, d.steps, b) for s, (b, d) in zip(stretches, designed, strict=True)]
    )
    fitted = [FieldOutcome(b, outcome, d, f) for (b, d), f in zip(designed, fits, strict=True)]
    return SeasonOutcome(outcome, fitted, noise, check_ranges(scores))


def _stretch(binned: Binned, design: Design, outcome: str) -> tuple[Stretch, float]:
    """The stretch in units of its own fast noise, and that unit on the log scale."""
    time_s, y = binned.time_s[design.use], binned.outcomes[outcome][design.use]
    fitted, *_ = np.linalg.lstsq(design.columns, y, rcond=None)
    jumps = np.diff(y - design.columns @ fitted)
    scale = float(1.4826 * np.median(np.abs(jumps)) / np.sqrt(2)) or 1.0
    return Stretch(time_s, design.columns, y / scale, 1.0 / binned.seconds[design.use]), scale


def _rescaled(fit: Fit, scale: float) -> Fit:
    return Fit(fit.coefficients * scale, fit.covariance * scale**2, fit.freedom)


def _spread_out(stretches: Sequence[Stretch], most: int) -> list[int]:
    """Indices of at most ``most`` stretches, spread evenly over the list, longest work first among equals."""
    if len(stretches) <= most:
        return list(range(len(stretches)))
    parts = np.array_split(np.arange(len(stretches)), most)
    return [int(max(part, key=lambda i: stretches[i].time_s.size)) for part in parts]


def without_bursts(stretch: Stretch, noise: Noise) -> Stretch:
    """The stretch with the white variance of far-off bins raised (a Huber-like weight; common practice)."""
    factored = factor(stretch.time_s, noise, stretch.white)
    both = factored.whiten(np.column_stack([stretch.design, stretch.log_outcome]))
    fitted, *_ = np.linalg.lstsq(both[:, :-1], both[:, -1], rcond=None)
    surprise = both[:, -1] - both[:, :-1] @ fitted
    extra = factored.diagonal * np.maximum((surprise / FAR_OFF) ** 2 - 1, 0)
    return replace(stretch, white=stretch.white + extra / noise.second_variance)
