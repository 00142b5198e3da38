"""Noise and driving that a trial is planned with: the machine's own, as far as the lake knows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.ground import LENGTH_M
from chaffinch.pipelines.estimate.model.season import SeasonOutcome, fit_outcome, prepare_alone
from chaffinch.pipelines.estimate.results.verdicts import reach
from chaffinch.pipelines.trials.design.precision import TrialNoise, WorkPattern
from chaffinch.pipelines.trials.written.judged_loss import ANY_LOSS

# For a machine without a log: noise of half a minute, of 20 minutes, and from second to second. Common practice, no
# source.
USUAL_NOISE = TrialNoise(np.array([0.09, 0.0625]), 0.09, own_scales_s=np.array([25.0, 1200.0]))
# This many machine-fields give the noise well enough for a plan.
MOST_FIELDS = 8
LEAST_WORK_S = 3600.0
# A gap in steady work up to this long is a turn or a short stop; longer ones are breaks.
LONGEST_TURN_S = 600.0
USUAL_SPEED_M_S = 1.6


@dataclass(frozen=True, slots=True)
class Planned:
    """What a trial is planned with. sentence : its source. outcome : the loss it is about."""

    noise: TrialNoise
    pattern: WorkPattern
    outcome: str
    sentence: str


def known_for_planning(
    fields: Sequence[Binned], machine: str, crop: str | None, losses: Sequence[str] = ANY_LOSS
) -> Planned:
    """Noise of a loss and driving, from the work of the machine in the crop, else the nearest that is known.

    fields : machine-fields of the lake. losses : by which the trial is judged, the first that is known.
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
            season = fit_outcome(_largest(usable), outcome)
            if season.noise is None:
                continue
            hours = sum(float(f.seconds.sum()) for f in usable) / 3600
            many = counted(len(usable), "field")
            return Planned(
                _absolute(season),
                work_pattern(mine),
                outcome,
                f"Planned with the noise of {many} ({hours:.0f} h of steady work) {words}.",
            )
    return Planned(
        USUAL_NOISE,
        WorkPattern(),
        losses[0],
        "No log shows how much the loss of such work varies, so a usual noise was assumed (common practice, no "
        "source): plan again after a day of logs.",
    )


def _largest(fields: list[Binned]) -> list[Binned]:
    return sorted(fields, key=lambda f: -float(f.seconds.sum()))[:MOST_FIELDS]


def _absolute(season: SeasonOutcome) -> TrialNoise:
    """The season's noise on the log scale; the fields' own fast noise is taken at its median.

    Scaled as the estimator scales its ranges: wider where placebos require it, and where few fields fix the noise.
    """
    assert season.noise is not None
    parts = [prepare_alone(f.binned, season) for f in season.fields]
    wider = reach(season.freedom, season.placebos.widen) / reach(float("inf"), 1.0)
    scale = wider * float(np.median([p.scale for p in parts if p is not None]))
    # The drift of the usual field: the mean over fields would be ruled by the few that drift most.
    noise = season.noise.with_drift(float(np.exp(season.drift.centre)))
    variances, scales = noise.scale_variances, noise.scales_s
    if noise.ground_variance > 0:
        # What is bound to the ground passes by as the machine drives.
        variances = np.append(variances, noise.ground_variance)
        scales = np.append(scales, LENGTH_M / USUAL_SPEED_M_S)
    return TrialNoise(
        variances * scale**2,
        noise.second_variance * scale**2,
        own_scales_s=scales,
    )


def work_pattern(fields: Sequence[Binned]) -> WorkPattern:
    """How long a pass and the way to the next one usually are: medians of passes, means of turns and short stops."""
    passes, turns = [], []
    for f in fields:
        if f.time_s.size < 2:
            continue
        ends, starts = f.time_s + f.seconds / 2, f.time_s - f.seconds / 2
        gaps = starts[1:] - ends[:-1]
        # A gap at a change of a setting is no turn.
        turn = (gaps > 10.0) & (np.diff(f.step) == 0)
        edges = np.concatenate([[0], np.flatnonzero(turn) + 1, [f.time_s.size]])
        passes += [float(ends[b - 1] - starts[a]) for a, b in zip(edges[:-1], edges[1:], strict=True)]
        turns += gaps[turn & (gaps < LONGEST_TURN_S)].tolist()
    usual = WorkPattern()
    if len(passes) < 6 or not turns:
        return usual
    return WorkPattern(float(np.clip(np.median(passes), 20.0, 3600.0)), float(np.mean(turns)))
