"""What changes the loss for a while, or in a part of the field: bad patches, dew, headlands, uphill and downhill."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.crop_flow import Intake
from chaffinch.pipelines.simulate.scenario import Operator, Scenario

INTO_PATCH_S = 60.0
PATCH_EDGE_S = 15.0
DEW_COMES_S = 1800.0
AT_REGIME_S = 300.0


def named_regimes(scenario: Scenario) -> tuple[float, ...]:
    """What of a scenario makes patches or regimes; all zero in most."""
    noise = scenario.noise
    return (
        noise.patches_per_hour,
        scenario.operator.into_patch_share,
        noise.dew_log,
        noise.headland_log,
        noise.uphill_log_per_deg,
    )


def regime_start_s(rng: np.random.Generator, scenario: Scenario, hour: Array, intake: Intake) -> float | None:
    """When the dew begins or the headlands end, s after the start; None without either, or outside of the work.

    hour : (seconds,) of the day.
    """
    if scenario.noise.dew_log:
        began = 3600.0 * (rng.uniform(*scenario.noise.dew_hour) - float(hour[0]))
        return began if 0 < began < hour.size else None
    if scenario.headland_minutes:
        on = np.flatnonzero(intake.drive.headland)
        return float(on[-1]) if on.size else None
    return None


def moved_to_regime(
    rng: np.random.Generator, operator: Operator, times_s: Array, start_s: float | None
) -> Array:
    """The moments of the adjustments, the nearest one moved to within five minutes of a regime's start."""
    if start_s is None or not times_s.size or rng.random() >= operator.at_regime_share:
        return times_s
    moved = times_s.copy()
    moved[np.abs(times_s - start_s).argmin()] = max(60.0, start_s + rng.uniform(-AT_REGIME_S, AT_REGIME_S))
    return np.sort(moved)


def patch_course(rng: np.random.Generator, scenario: Scenario, times_s: Array, seconds: int) -> Array:
    """Log rise of both losses in bad patches, (seconds,): some anywhere, some that the adjustments fell into."""
    noise = scenario.noise
    anywhere = rng.uniform(0.0, seconds, rng.poisson(noise.patches_per_hour * seconds / 3600.0))
    chosen = times_s[rng.random(times_s.size) < scenario.operator.into_patch_share]
    starts = np.concatenate([anywhere, chosen - rng.uniform(0.0, INTO_PATCH_S, chosen.size)])
    stops = starts + 60.0 * rng.uniform(*noise.patch_minutes, starts.size)
    heights = rng.uniform(*noise.patch_log, starts.size)
    second = np.arange(seconds, dtype=float)
    course = np.zeros(seconds)
    for start, stop, height in zip(starts, stops, heights, strict=True):
        course = np.maximum(course, height * _ramp(second - start) * (1.0 - _ramp(second - stop)))
    return course


def _ramp(since_s: Array) -> Array:
    return np.clip(since_s / PATCH_EDGE_S, 0.0, 1.0)


def regime_courses(scenario: Scenario, intake: Intake, start_s: float | None) -> Mapping[str, Array]:
    """Log rise of each loss at every second, (seconds,), by dew, headlands and slope along the way."""
    noise, second = scenario.noise, np.arange(intake.feed_kg_s.size, dtype=float)
    both = noise.headland_log * intake.drive.headland
    dew = np.zeros(second.size)
    if noise.dew_log and start_s is not None:
        come = np.clip((second - start_s) / DEW_COMES_S, 0.0, 1.0)
        dew = noise.dew_log * come * come * (3 - 2 * come)
    uphill = noise.uphill_log_per_deg * intake.pitch_deg
    return {"separation": both + dew - 0.5 * uphill, "cleaning": both + 0.5 * dew + uphill}
