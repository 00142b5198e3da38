"""Trials that would pay, worked out again only for machines of which something changed.

Planning a trial for each machine of a fleet takes seconds, and every page of a field says which would pay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import polars as pl
from chaffinch.dashboards.site.digest import digest_of
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.trials.answers.worth_trying import (
    NOISE_FIELDS,
    Suggestion,
    curves_of_trials,
    most_worth_first,
    suggestions,
)
from chaffinch.pipelines.trials.design.planned_trial import binned_fields

KeptTrials = dict[str, tuple[str, list[dict[str, Any]]]]
"""By machine: digest of what its trials were planned from, and the trials, as in JSON."""


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
    now = {name: kept[name] for name, one in digests.items() if name in kept and kept[name][0] == one}
    if due := [name for name in digests if name not in now]:
        now |= {name: (digests[name], []) for name in due}
        with_noise = {*due, *noisy["machine"]}
        for one in suggestions(
            curves.filter(pl.col("machine").is_in(due)), binned_fields(lake, farm, with_noise), farm
        ):
            now[one.machine][1].append(asdict(one))
    return most_worth_first([Suggestion(**one) for _, found in now.values() for one in found]), now
