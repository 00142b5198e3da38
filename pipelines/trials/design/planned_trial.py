"""A whole trial planned for one machine of a lake."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.errors import CallError, DeclarationError, did_you_mean
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.derived_tables import plan_jobs, prepared_harvests
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.pipelines.trials.design.open_signals import open_of_signals
from chaffinch.pipelines.trials.design.planning import TrialDesign, TrialTask, chosen_design, designs
from chaffinch.pipelines.trials.design.season_noise import Planned, known_for_planning
from chaffinch.pipelines.trials.design.values_run import known_machine, never_run, values_run
from chaffinch.pipelines.trials.written.judged_loss import judged_losses
from chaffinch.pipelines.trials.written.trial_plan import (
    USUAL_TELL_PERCENT,
    PlannedStep,
    TrialPlan,
    fault_of,
    setting_named,
    value_as_text,
)
from chaffinch.schemas.declarations import Setting, crops
from pydantic import ValidationError


@dataclass(frozen=True, slots=True)
class TrialRequest:
    """What to compare: one or two settings, each with its values; and limits of the trial."""

    machine: str
    settings: tuple[str, ...]
    values: tuple[tuple[str, ...], ...]
    crop: str | None = None
    tell_percent: float = USUAL_TELL_PERCENT
    hours: float = 3.0
    by_passes: bool = False
    seed: int = 1
    name: str | None = None


@dataclass(frozen=True, slots=True)
class PlannedTrial:
    """The plan with its design. possible : all designs of that length, by their number of switches. known_percent :
    what the lake already knows about the second value against the first in a field to come, %, with its range.
    se_with_known : standard error of trial and lake together. new_values : values that the machine never ran at, by
    setting. run : those it did. open_log : standard error that the loss signals add without loss checks, for a change
    of the size to be detected. A design's own figures count its switches only.
    """

    plan: TrialPlan
    design: TrialDesign
    possible: tuple[TrialDesign, ...]
    task: TrialTask
    basis: Planned
    known_percent: tuple[float, float, float] | None
    se_with_known: float | None
    new_values: dict[str, list[str]]
    run: dict[str, list[str]]
    open_log: float

    def with_signals(self, se_log: float) -> float:
        """Standard error that the answer will state: from the switches, and from what the signals leave open."""
        return float(np.hypot(se_log, self.open_log))

    @property
    def se_of_fields(self) -> tuple[float, float] | None:
        """Least and greatest standard error in eight of ten fields to come; None where too few fields are known."""
        errors = self.basis.errors
        return None if errors is None else (self.design.se_log * errors[0], self.design.se_log * errors[1])


def plan_trial(lake: ReadableLake, farm: Farm, request: TrialRequest) -> PlannedTrial:
    """Plan the requested trial.

    Raises ``CallError`` for an unknown machine or setting, values that do not fit it, or where no plan of that length
    is precise enough.
    """
    machine = known_machine(lake, request.machine, farm.machine_aliases())
    catalogue, values = _checked(request)
    crop = _crop_named(lake, farm, request.crop) if request.crop else _usual_crop(lake, machine)
    fields = binned_fields(lake, farm)
    basis = known_for_planning(fields, machine, crop, judged_losses(catalogue[0].name), request.hours)
    # Losses logged in kg/s need no weights.
    weighed = [f.calibrated for f in fields if f.machine == machine]
    tell_log = float(-np.log1p(-request.tell_percent / 100))
    task = TrialTask(
        len(values[0]),
        len(values),
        request.hours,
        basis.noise,
        basis.pattern,
        request.seed,
        request.by_passes,
    )
    possible = designs(task)
    design = chosen_design(task, possible, request.tell_percent)
    run = {one.name: values_run(lake, machine, one) for one in catalogue}
    new = {one.name: never_run(one, mine, run[one.name]) for one, mine in zip(catalogue, values, strict=True)}
    known = (
        _known(lake, machine, crop, catalogue[0], values[0], basis.outcome) if len(values[0]) == 2 else None
    )
    return PlannedTrial(
        _plan(request, machine, crop, catalogue, values, design),
        design,
        tuple(possible),
        task,
        basis,
        None if known is None else tuple(float(100 * np.expm1(one)) for one in known),  # type: ignore[arg-type]
        None if known is None else _together(design.se_log, (known[2] - known[1]) / (2 * REACH_95)),
        {name: found for name, found in new.items() if found},
        run,
        0.0
        if weighed and all(weighed)
        else max(
            open_of_signals(one.name, mine, basis.outcome, tell_log)
            for one, mine in zip(catalogue, values, strict=True)
        ),
    )


def binned_fields(lake: ReadableLake, farm: Farm, machines: Collection[str] | None = None) -> list[Binned]:
    """The field jobs of a lake, or of these ``machines`` of it, with usable work, in bins."""
    plan = plan_jobs(lake, farm, machines=machines)
    return [one for one, _, _ in prepared_harvests(plan) if isinstance(one, Binned)]


def _checked(request: TrialRequest) -> tuple[list[Setting], list[tuple[str, ...]]]:
    if len(request.settings) != len(request.values) or not 1 <= len(request.settings) <= 2:
        raise CallError("Give --values once for each --setting, of which there may be two.")
    catalogue, values = [], []
    for named, written in zip(request.settings, request.values, strict=True):
        try:
            setting = setting_named(named)
            texts = tuple(value_as_text(setting, one) for one in written)
        except DeclarationError as error:
            raise CallError(str(error)) from None
        least, most = 2, 2 if len(request.settings) == 2 else 3
        if not least <= len(texts) <= most:
            many = "two values" if most == 2 else "two or three values"
            raise CallError(f"{setting.label}: a trial compares {many}, not {len(texts)}: --values A,B")
        if len(set(texts)) < len(texts):
            raise CallError(f"{setting.label}: the values {', '.join(texts)} are not all different.")
        catalogue.append(setting)
        values.append(texts)
    if len({one.name for one in catalogue}) < len(catalogue):
        raise CallError("The two settings of a trial must differ.")
    return catalogue, values


def _usual_crop(lake: ReadableLake, machine: str) -> str | None:
    """The crop that the machine cut last."""
    places = lake.machine_fields().filter(pl.col("machine") == machine, pl.col("crop").is_not_null())
    return str(places.sort("last_time")["crop"][-1]) if places.height else None


def _plan(
    request: TrialRequest,
    machine: str,
    crop: str | None,
    catalogue: Sequence[Setting],
    values: Sequence[tuple[str, ...]],
    design: TrialDesign,
) -> TrialPlan:
    steps = []
    for state, group in groupby(design.order):
        many = len(list(group))
        length = (
            {"passes": many * design.passes} if design.passes else {"minutes": many * design.step_s / 60.0}
        )
        value = {"value": values[0][state[0]]}
        if len(values) == 2:
            value["second_value"] = values[1][state[1]]
        steps.append(PlannedStep.model_validate(value | length))
    compared = " and ".join(
        f"{one.label} {' or '.join(mine)}" for one, mine in zip(catalogue, values, strict=True)
    )
    about = {
        "name": request.name or f"{compared}, {machine}, {request.seed}",
        "machine": machine,
        "crop": crop,
        "setting": catalogue[0].name,
        "unit": catalogue[0].unit or None,
        "values": values[0],
        "seed": request.seed,
        "tell_percent": request.tell_percent,
        "second_setting": catalogue[1].name if len(values) == 2 else None,
        "second_values": values[1] if len(values) == 2 else (),
        "second_unit": catalogue[1].unit or None if len(values) == 2 else None,
        "steps": tuple(steps),
    }
    try:
        return TrialPlan.model_validate(about)
    except ValidationError as error:
        raise CallError(f"The plan can't be made. {fault_of(error)}.") from None


def _crop_named(lake: ReadableLake, farm: Farm, wanted: str) -> str:
    """The crop by its own name. Raises ``CallError`` for one that neither the catalogue, the farm nor a log knows."""
    crop = farm.crop_named(wanted)
    known = sorted({*crops(), *farm.crops, *lake.machine_fields()["crop"].drop_nulls()})
    if crop not in known:
        raise CallError(
            f"No log names a crop '{wanted}'{did_you_mean(wanted, known)}. Crops are {', '.join(known)}."
        )
    return crop


def _known(
    lake: ReadableLake,
    machine: str,
    crop: str | None,
    setting: Setting,
    values: tuple[str, ...],
    outcome: str,
) -> tuple[float, float, float] | None:
    """Log ratio from the first value to the second in a field to come, with its range, by what the lake shares."""
    rows = lake.scan("effects").filter(
        pl.col("scope").is_in(["machine", "season"]),
        pl.col("machine").is_null() | (pl.col("machine") == machine),
        pl.col("crop").is_null() | pl.col("crop").eq_missing(pl.lit(crop, pl.String)),
        pl.col("setting") == setting.name,
        pl.col("outcome") == outcome,
        pl.col("next_field_percent_low").is_not_null(),
        pl.col("per_step").is_not_null(),
        pl.col("unit") == setting.unit,
    )
    found = rows.collect().sort(pl.col("scope") != "machine", pl.col("crop").is_null()).head(1).to_dicts()
    if not found or setting.kind != "number":
        return None
    row = found[0]
    steps = (float(values[1]) - float(values[0])) / row["per_step"]
    logs = [row["log_ratio"], *(np.log1p(row[f"next_field_percent_{end}"] / 100) for end in ("low", "high"))]
    middle, low, high = (steps * float(one) for one in logs)
    return middle, min(low, high), max(low, high)


def _together(trial: float, known: float) -> float:
    return float((trial**-2 + known**-2) ** -0.5)
