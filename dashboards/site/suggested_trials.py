"""Trials that would pay, worked out again only for machines of which something changed.

Planning a trial for each machine of a fleet takes seconds, and every page of a field says which would pay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import polars as pl
from chaffinch.dashboards.site.digest import digest_of
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.trials.answers.worth_trying import (
    NOISE_FIELDS,
    Noises,
    Suggestion,
    curves_of_trials,
    most_worth_first,
    suggestions,
)
from chaffinch.pipelines.trials.design.planned_trial import binned_fields
from chaffinch.pipelines.trials.design.precision import TrialNoise
from chaffinch.pipelines.trials.written.judged_loss import judged_losses


@dataclass
class KeptTrials:
    """As in JSON. trials : by machine, digest of what its trials were planned from, and the trials. noises : by crop,
    digest of the field jobs that show the noise, and by losses the fields of its ``TrialNoise``."""

    trials: dict[str, tuple[str, list[dict[str, Any]]]] = field(default_factory=dict)
    noises: dict[str, tuple[str, dict[str, dict[str, Any]]]] = field(default_factory=dict)


def suggested_trials(
    lake: ReadableLake, farm: Farm, tables: Mapping[str, pl.DataFrame], ground: str, kept: KeptTrials
) -> tuple[list[Suggestion], KeptTrials]:
    """Those worth most first, and what to keep of them.

    tables : responses, field_jobs. ground : digest of the program and the farm. kept : of an earlier run.
    """
    curves = curves_of_trials(tables["responses"]).filter(pl.col("machine").is_not_null())
    jobs = tables["field_jobs"].sort(-pl.col("bins"), "machine", "first_time")
    jobs = jobs.select("machine", "crop", "job", "harvest", "made_from")
    noisy = jobs.group_by("crop", maintain_order=True).head(NOISE_FIELDS)
    own = jobs.partition_by("machine", as_dict=True)
    digests = {}
    for (machine,), mine in curves.partition_by("machine", as_dict=True, maintain_order=True).items():
        of_crops = noisy.filter(pl.col("crop").is_in(mine["crop"].unique().implode(), nulls_equal=True))
        digests[str(machine)] = digest_of([ground, mine, own.get((machine,), jobs.clear()), of_crops])
    now = {
        name: kept.trials[name]
        for name, one in digests.items()
        if name in kept.trials and kept.trials[name][0] == one
    }
    shown_by = {
        crop: digest_of([ground, rows]) for (crop,), rows in noisy.partition_by("crop", as_dict=True).items()
    }
    noises = _known(kept, shown_by)
    if due := [name for name in digests if name not in now]:
        now |= {name: (digests[name], []) for name in due}
        asked = curves.filter(pl.col("machine").is_in(due))
        pairs = asked.select("crop", "setting").unique().iter_rows()
        crops = {crop for crop, setting in pairs if (crop, judged_losses(setting)) not in noises}
        showing = noisy.filter(pl.col("crop").is_in(list(crops), nulls_equal=True))
        fields = binned_fields(lake, farm, {*due, *showing["machine"]})
        for one in suggestions(asked, fields, farm, noises=noises):
            now[one.machine][1].append(asdict(one))
    found = most_worth_first([Suggestion(**one) for _, of_machine in now.values() for one in of_machine])
    return found, KeptTrials(now, _as_kept(noises, shown_by))


def _known(kept: KeptTrials, shown_by: Mapping[Any, str]) -> Noises:
    """The noises that are still shown by the same field jobs."""
    found: Noises = {}
    for crop, digest in shown_by.items():
        held, by_losses = kept.noises.get(crop or "", ("", {}))
        if held == digest:
            for losses, parts in by_losses.items():
                arrays: dict[str, Any] = {
                    name: np.array(part) if isinstance(part, list) else part for name, part in parts.items()
                }
                found[crop, tuple(losses.split())] = TrialNoise(**arrays)
    return found


def _as_kept(noises: Noises, shown_by: Mapping[Any, str]) -> dict[str, tuple[str, dict[str, dict[str, Any]]]]:
    found: dict[str, tuple[str, dict[str, dict[str, Any]]]] = {}
    for (crop, losses), noise in noises.items():
        if crop in shown_by:
            parts = {name: part.tolist() if isinstance(part, np.ndarray) else float(part)
                     for name, part in asdict(noise).items()}  # fmt: skip
            found.setdefault(crop or "", (shown_by[crop], {}))[1][" ".join(losses)] = parts
    return found
