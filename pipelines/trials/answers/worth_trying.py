"""Which trial is worth most: the chance of a better value, times what it would save, less the cost of the trial."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.responses.best_value import curves_of_first_known
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.design.planning import TrialDesign, TrialTask, designs, precise_enough
from chaffinch.pipelines.trials.design.precision import TrialNoise, settled_percent
from chaffinch.pipelines.trials.design.season_noise import known_for_planning, work_pattern
from chaffinch.pipelines.trials.written.judged_loss import ANY_LOSS, judged_losses
from chaffinch.pipelines.trials.written.trial_plan import USUAL_TELL_PERCENT
from chaffinch.schemas.declarations import reference_loss_share, settings
from scipy.special import ndtr

# Half a day's work, of which a trial takes the first part.
HOURS = 2.5
SEED = 1
# Few fields give the noise well enough to say roughly what a trial settles.
NOISE_FIELDS = 4


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A trial that may pay.

    outcome : loss by which it is ranked. chance : that ``value`` is better than the one in use. saves_percent,
    saves_kg_ha : expected saving where it is better, of the loss. area_ha : a year's area of the machine in the crop.
    expected_kg : chance times saving over that area, less what the trial costs. worth : the same in money; None where
    no price is stated. measured_loss : whether pans weigh the loss; else a usual share of the yield is assumed.
    """

    machine: str
    crop: str | None
    setting: str
    unit: str | None
    value_in_use: float
    value: float
    outcome: str
    chance: float
    saves_percent: float
    saves_kg_ha: float
    area_ha: float
    expected_kg: float
    worth: float | None
    measured_loss: bool
    hours: float
    switches: int
    settles_percent: float


@dataclass(frozen=True, slots=True)
class _Work:
    """What a machine does in a crop: area a year [ha], area an hour [ha/h], yield [kg/ha]."""

    area_ha: float
    area_ha_h: float
    yield_kg_ha: float


Noises = dict[tuple[str | None, tuple[str, ...]], TrialNoise]
"""By crop and the losses by which a trial is judged."""


def suggestions(
    responses: pl.DataFrame,
    fields: Sequence[Binned],
    farm: Farm,
    machine: str | None = None,
    noises: Noises | None = None,
) -> list[Suggestion]:
    """Possible trials of each machine and crop, those worth most first; one for each setting.

    responses : the table. fields : field jobs of the lake, for area, yield and noise. machine : only this one.
    noises : those known already, to which others are added; ``fields`` needs no field of other machines for them.
    Values are those inside the range tried. Without a price trials are ranked by kilograms.
    """
    found: list[Suggestion] = []
    noises = {} if noises is None else noises
    plans: dict[tuple[str, str | None, tuple[str, ...]], TrialDesign | None] = {}
    work = _work_of(fields)
    own = curves_of_trials(responses).filter(pl.col("machine").is_not_null())
    if machine is not None:
        own = own.filter(pl.col("machine") == machine)
    for curve in own.partition_by(["machine", "crop", "setting"], maintain_order=True):
        name, crop, setting = curve.row(0, named=True)["machine"], curve["crop"][0], curve["setting"][0]
        if (name, crop) not in work:
            continue
        losses = judged_losses(setting)
        if (crop, losses) not in noises:
            noises[crop, losses] = _noise_of(fields, crop, losses)
        key = (name, crop, losses)
        if key not in plans:
            plans[key] = _plan_of(noises[crop, losses], [f for f in fields if f.machine == name])
        design = plans[key]
        if design is None:
            continue
        best = _best_of(curve, work[name, crop], design, farm)
        if best is not None:
            found.append(best)
    return most_worth_first(found)


def curves_of_trials(responses: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``responses`` that trials are ranked by: of each machine, crop and setting the curve of one loss."""
    return curves_of_first_known(responses, ANY_LOSS)


def most_worth_first(found: Sequence[Suggestion]) -> list[Suggestion]:
    """Those worth most first; without a price by kilograms."""
    return sorted(
        found,
        key=lambda s: (-(s.worth if s.worth is not None else -np.inf), -s.expected_kg, s.machine, s.setting),
    )


def _noise_of(fields: Sequence[Binned], crop: str | None, losses: tuple[str, ...]) -> TrialNoise:
    """The noise of a crop, from a few fields of any machine: enough to rank, and quick for a large fleet."""
    mine = sorted(
        (f for f in fields if f.crop == crop),
        key=lambda f: (-f.time_s.size, f.machine, f.time_s[:1].tolist()),
    )
    return known_for_planning(mine[:NOISE_FIELDS], "", crop, losses).noise


def _plan_of(noise: TrialNoise, driven: Sequence[Binned]) -> TrialDesign | None:
    """A usual trial of two values on a machine: few switches, or the most that half a day allows."""
    possible = designs(TrialTask(2, 1, HOURS, noise, work_pattern(driven), SEED))
    if not possible:
        return None
    return precise_enough(possible, USUAL_TELL_PERCENT) or min(possible, key=lambda one: one.se_log)


def _best_of(curve: pl.DataFrame, work: _Work, design: TrialDesign, farm: Farm) -> Suggestion | None:
    """The other value of one curve that is worth most to try; None where none is a step away or better."""
    rows = curve.to_dicts()
    setting = settings().get(rows[0]["setting"])
    in_use = rows[0]["value_in_use"]
    step = setting.step if setting and setting.step else 0.0
    level, measured = _loss_kg_ha(rows, work, rows[0]["crop"])
    price = farm.prices.per_t.get(rows[0]["crop"] or "")
    best: Suggestion | None = None
    for row in rows:
        sd = (row["log_ratio_high"] - row["log_ratio_low"]) / (2 * REACH_95)
        # Nearer values differ too little for a trial, however good one of them is.
        if sd <= 0 or abs(row["value"] - in_use) < 0.99 * step:
            continue
        chance, saved, lost = _shares(row["log_ratio"], sd)
        trial_area = design.hours * work.area_ha_h
        # Half of the trial is driven at the other value.
        kilograms = level * (saved * max(0.0, work.area_ha - trial_area) - lost * trial_area / 2)
        one = Suggestion(
            row["machine"], row["crop"], row["setting"], row["unit"], in_use, row["value"], row["outcome"],
            chance, 100 * saved / chance if chance > 0 else 0.0, level * saved / chance if chance > 0 else 0.0,
            work.area_ha, kilograms, None if price is None else kilograms * price / 1000.0, measured,
            design.hours, design.switches, settled_percent(design.se_log),
        )  # fmt: skip
        if kilograms > 0 and (best is None or kilograms > best.expected_kg):
            best = one
    return best


def _shares(log_ratio: float, sd: float) -> tuple[float, float, float]:
    """Probability of a smaller loss, and the expected share of the loss that is saved where it is smaller and added
    where it is larger, of a normal log ratio x: E max(0, 1 - exp x) and E max(0, exp x - 1), as of a lognormal."""
    chance = float(ndtr(-log_ratio / sd))
    grown = float(np.exp(log_ratio + sd**2 / 2))
    below = grown * float(ndtr(-(log_ratio + sd**2) / sd))
    saved = chance - below
    return chance, saved, grown - below - (1 - chance)


def _loss_kg_ha(rows: Sequence[Mapping[str, Any]], work: _Work, crop: str | None) -> tuple[float, bool]:
    """The loss at the value in use, kg/ha, and whether pans weighed it; else a usual share of the yield."""
    weighed = [row for row in rows if row["absolute"] is not None and abs(row["log_ratio"]) > 1e-3]
    if weighed:
        row = max(weighed, key=lambda one: abs(one["log_ratio"]))
        level = row["absolute"] / float(np.expm1(row["log_ratio"]))
        if np.isfinite(level) and level > 0:
            return float(level), True
    return reference_loss_share(crop) * work.yield_kg_ha, False


def _work_of(fields: Sequence[Binned]) -> dict[tuple[str, str | None], _Work]:
    groups: dict[tuple[str, str | None], list[Binned]] = {}
    for one in fields:
        groups.setdefault((one.machine, one.crop), []).append(one)
    found = {}
    for key, members in groups.items():
        area = sum(float(np.nansum(f.area_m2_s * f.seconds)) for f in members) / 1e4
        grain = sum(float(np.nansum(f.feed_t_h / 3.6 * f.seconds)) for f in members)
        seconds = sum(float(f.seconds.sum()) for f in members)
        years = {int(1970 + f.time_s[0] // (365.2425 * 86_400)) for f in members if f.time_s.size}
        if area > 0 and seconds > 0:
            found[key] = _Work(area / max(len(years), 1), area / (seconds / 3600), grain / area)
    return found
