"""Noise and driving that a trial is planned with: the machine's own, as far as the lake knows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.noise import SLOW
from chaffinch.pipelines.estimate.model.season import SeasonOutcome, fit_outcome, prepare_alone
from chaffinch.pipelines.trials.design.precision import TrialNoise, WorkPattern
from chaffinch.pipelines.trials.written.judged_loss import ANY_LOSS
from scipy.special import ndtri, stdtrit

# For a machine without a log: noise of half a minute, of 20 minutes, and from second to second. Common practice, no
# source.
USUAL_NOISE = TrialNoise(np.array([0.09, 0.0625]), 0.09, own_scales_s=np.array([25.0, 1200.0]))
# This many field jobs give the noise well enough for a plan.
MOST_FIELDS = 8
LEAST_WORK_S = 3600.0
# So many fields show how much fields differ in their noise.
LEAST_TO_COMPARE = 3
# A gap in steady work up to this long is a turn or a short stop; longer ones are breaks.
LONGEST_TURN_S = 600.0


@dataclass(frozen=True, slots=True)
class Planned:
    """What a trial is planned with. sentence : its source. outcome : the loss it is about.

    errors : least and greatest standard error in eight of ten fields to come, as parts of the usual one; None where
    fewer than ``LEAST_TO_COMPARE`` fields show how they differ.
    """

    noise: TrialNoise
    pattern: WorkPattern
    outcome: str
    sentence: str
    errors: tuple[float, float] | None = None


def known_for_planning(
    fields: Sequence[Binned],
    machine: str,
    crop: str | None,
    losses: Sequence[str] = ANY_LOSS,
    hours: float = 3.0,
) -> Planned:
    """Noise of a loss and driving, from the work of the machine in the crop, else the nearest that is known.

    fields : field jobs of the lake. losses : by which the trial is judged, the first that is known. hours : of
    the trial, whose own work will help to fix the noise.
    """
    for words, mine in (
        ("of this machine in this crop", [f for f in fields if f.machine == machine and f.crop == crop]),
        ("of this machine in any crop", [f for f in fields if f.machine == machine]),
        ("of other machines in this crop", [f for f in fields if f.crop == crop]),
        ("of other machines", list(fields)),
    ):
        for outcome in losses:
            usable = [f for f in mine if outcome in f.outcomes]
            if sum(float(f.seconds.sum()) for f in usable) < LEAST_WORK_S:
                continue
            largest = sorted(usable, key=lambda f: -float(f.seconds.sum()))[:MOST_FIELDS]
            season = fit_outcome(largest, outcome)
            if season.noise is None:
                continue
            known_hours = sum(float(f.seconds.sum()) for f in usable) / 3600
            many = counted(len(usable), "field")
            parts = [prepare_alone(f.binned, season) for f in season.fields]
            levels = np.array([part.scale for part in parts if part is not None])
            return Planned(
                _absolute(season, float(np.median(levels))),
                work_pattern(mine),
                outcome,
                f"Planned with the noise of {many} ({known_hours:.0f} h of steady work) {words}.",
                errors_to_come(levels, _freedom(season, hours)),
            )
    return Planned(
        USUAL_NOISE,
        WorkPattern(),
        losses[0],
        "No log shows how much the loss of such work varies, so a usual noise was assumed (common practice, no "
        "source): plan again after a day of logs.",
    )


def errors_to_come(levels: Array, freedom: float) -> tuple[float, float] | None:
    """The range of eight of ten fields to come about the median of the ``levels`` of noise in known ones.

    The interval that holds one more value of a normal sample, of the logs: mean -+ t s sqrt(1 + 1/n) (Hahn and
    Meeker, Statistical Intervals, 1991, ch. 4). The noise itself is known with so many degrees of ``freedom``: a
    standard error of 1 / sqrt(2 freedom) of the log of a standard deviation.
    """
    n = levels.size
    if n < LEAST_TO_COMPARE:
        return None
    logs = np.log(levels / np.median(levels))
    of_fields = float(stdtrit(n - 1, 0.9) * logs.std(ddof=1) * np.sqrt(1 + 1 / n))
    half = float(np.hypot(of_fields, ndtri(0.9) / np.sqrt(2 * freedom)))
    return float(np.exp(logs.mean() - half)), float(np.exp(logs.mean() + half))


def _absolute(season: SeasonOutcome, level: float) -> TrialNoise:
    """The season's noise on the log scale, at a ``level`` of a field's own fast noise.

    Scaled as the answer of a trial will be: wider where placebos require it.
    """
    assert season.noise is not None
    scale = season.placebos.widen * level
    # The drift of the usual field: the mean over fields would be ruled by the few that drift most.
    noise = season.noise.with_drift(float(np.exp(season.drift.centre)))
    return TrialNoise(
        noise.scale_variances * scale**2,
        noise.second_variance * scale**2,
        ground_variance=noise.ground_variance * scale**2,
        own_scales_s=noise.scales_s,
    )


def _freedom(season: SeasonOutcome, hours: float) -> float:
    """Degrees of freedom of the noise, when the trial's own hours are known too (``season_freedom``)."""
    assert season.noise is not None
    return season.freedom + 3600.0 * hours / (2.0 * float(season.noise.scales_s[SLOW][0]))


def work_pattern(fields: Sequence[Binned]) -> WorkPattern:
    """How long a pass and the way to the next one usually are: medians of passes, means of turns and short stops; the
    usual speed and width."""
    passes, turns, speeds, widths = [], [], [], []
    for f in fields:
        if f.time_s.size < 2:
            continue
        ends, starts = f.time_s + f.seconds / 2, f.time_s - f.seconds / 2
        gaps = starts[1:] - ends[:-1]
        # A gap at a change of a setting is not a turn.
        turn = (gaps > 10.0) & (np.diff(f.step) == 0)
        edges = np.concatenate([[0], np.flatnonzero(turn) + 1, [f.time_s.size]])
        passes += [float(ends[b - 1] - starts[a]) for a, b in zip(edges[:-1], edges[1:], strict=True)]
        turns += gaps[turn & (gaps < LONGEST_TURN_S)].tolist()
        way = np.hypot(np.diff(f.east_m), np.diff(f.north_m)) / np.diff(f.time_s)
        speed = float(np.nanmedian(way[gaps < 1.0])) if np.isfinite(way[gaps < 1.0]).any() else np.nan
        speeds.append(speed)
        widths.append(float(np.nanmedian(f.area_m2_s)) / speed if np.isfinite(f.area_m2_s).any() else np.nan)
    usual = WorkPattern()
    if len(passes) < 6 or not turns:
        return usual
    return WorkPattern(
        float(np.clip(np.median(passes), 20.0, 3600.0)),
        float(np.mean(turns)),
        _usual(speeds, usual.speed_m_s),
        _usual(widths, usual.width_m),
    )


def _usual(found: Sequence[float], otherwise: float) -> float:
    """The median of what is known and above zero."""
    known = [one for one in found if np.isfinite(one) and one > 0]
    return float(np.median(known)) if known else otherwise
