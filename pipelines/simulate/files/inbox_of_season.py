"""A made-up season as an inbox on disk: what a farm's machines would have exported."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import polars as pl
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.simulate.files.damage import damaged
from chaffinch.pipelines.simulate.files.dialects import DIALECTS, write_dialect
from chaffinch.pipelines.simulate.machine_field import MachineField
from chaffinch.pipelines.simulate.scenario import Scenario
from chaffinch.pipelines.simulate.scenarios import scenario_named
from chaffinch.pipelines.simulate.simulated_crops import CROPS
from chaffinch.pipelines.simulate.simulated_season import Season, simulate_season
from chaffinch.pipelines.simulate.trial_operators import trial_plan_of
from chaffinch.pipelines.trials.written.trial_plan import as_toml

ZONE = "Europe/London"
DEFAULT_SEED = 1

SETTINGS_LOG = ("time", "machine", "setting", "from_value", "to_value", "unit", "note")
LOSS_CHECKS = (
    "time",
    "machine",
    "field",
    "place",
    "machine_loss_kg_ha",
    "kernels",
    "frame_area_m2",
    "frames",
    "thousand_kernel_mass_g",
    "discharge_width_m",
    "cut_width_m",
)
LIMITS = {
    "fields": (1, 2000),
    "hours": (0.5, 14),
    "machines": (1, 500),
    "adjustments": (0, 60),
    "year": (1990, 2100),
}
LONGEST_DAYS = 100
"""A machine does one field a day; a harvest that lasts longer than this is none."""

LogForm = Literal["csv", "task-data"]


def write_season_files(
    out: Path,
    scenario: Scenario | str = "plain",
    seed: int | None = None,
    *,
    log_form: LogForm = "csv",
    compress: bool = False,
    spoil: bool = False,
    **changed: float | None,
) -> dict[str, Any]:
    """Write a season to ``out``: ``out/inbox`` as a farm would deliver it, and ``out/truth.csv``.

    In the inbox: one harvest log per machine and day, ``settings_log.csv``, ``loss_checks.csv``,
    ``fields.geojson``, ``farm.toml``, and in ``trials`` the plans of trials, if there are any. The same arguments
    give the same bytes.

    seed : 1 if none is given. changed : ``LIMITS`` names what may replace the scenario's own; None changes nothing.
    log_form : ``csv``, in a dialect that differs from machine to machine (plain canonical; semicolons,
        decimal commas, km/h and local time; tabs and imperial units), or ``task-data`` of ISO 11783-10, in
        which numbers are logged as set values and boundaries with the field, so that only settings of words
        are in the settings log.
    compress : CSV logs as ``.csv.gz``. spoil : damage a few rows of the last CSV log, as real logs are; that
        one stays uncompressed, to be looked at.

    Returns a summary for people and programs: paths, counts, scenario, seed.

    Raises ``CallError`` if the inbox is there already and not empty, for an unknown scenario or form, or if
    a number makes no season.
    """
    if log_form not in ("csv", "task-data"):
        raise CallError(f"A log can be written as csv or as task-data, not as '{log_form}'.")
    adapted = _adapted(scenario, changed)
    season = simulate_season(adapted, DEFAULT_SEED if seed is None else seed)
    inbox = _empty_inbox(out)
    kept = [
        _write_machine_field(inbox, season, number, log_form, compress, spoil)
        for number in range(adapted.fields)
    ]
    made = pl.concat(k.adjustments for k in kept).sort("time", maintain_order=True)
    checked = pl.concat(k.loss_checks for k in kept).sort("time", maintain_order=True)
    in_log = made if log_form == "csv" else made.filter(pl.col("kind") != "number")
    _write_table(inbox / "settings_log.csv", in_log.select(SETTINGS_LOG))
    _write_table(inbox / "loss_checks.csv", checked.select(LOSS_CHECKS))
    truth = pl.concat(k.truth for k in kept).with_columns(pl.col(pl.Float64).round(4))
    _write_table(out / "truth.csv", truth)
    if log_form == "csv":
        collection = {"type": "FeatureCollection", "features": [k.feature for k in kept]}
        (inbox / "fields.geojson").write_text(json.dumps(collection, indent=1) + "\n", encoding="utf-8")
    (inbox / "farm.toml").write_text(_farm_toml(season, log_form), encoding="utf-8")
    return {
        "inbox": str(inbox),
        "truth": str(out / "truth.csv"),
        "scenario": adapted.name,
        "seed": season.seed,
        "machine_fields": adapted.fields,
        "machines": len(season.machines),
        "readings": sum(k.readings for k in kept),
        "adjustments": made.height,
        "loss_checks": checked.height,
        "files": sum(1 for file in inbox.rglob("*") if file.is_file()),
    }


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is left of a field job once its readings are on disk. ``readings``: their number."""

    readings: int
    adjustments: pl.DataFrame
    loss_checks: pl.DataFrame
    truth: pl.DataFrame
    feature: dict[str, Any]


def _write_machine_field(
    inbox: Path, season: Season, number: int, log_form: LogForm, compress: bool, spoil: bool
) -> _Kept:
    made = season.machine_field(number)
    if log_form == "csv":
        _write_csv(inbox, season, made, compress, spoil and number == season.scenario.fields - 1)
    else:
        _write_task_data(inbox, made)
    _write_trial(inbox, season, made, number)
    checks = _counted(made, number)
    return _Kept(made.readings.height, made.adjustments, checks, made.truth, _feature(made))


def _write_trial(inbox: Path, season: Season, made: MachineField, number: int) -> None:
    trial = season.trial_of(number)
    if trial is None:
        return
    folder = inbox / "trials"
    folder.mkdir(exist_ok=True)
    name = f"{made.machine.name.lower().replace(' ', '_')}_{_day(made)}.toml"
    (folder / name).write_text(as_toml(trial_plan_of(trial, made.machine.name, made.crop)), encoding="utf-8")


def _empty_inbox(out: Path) -> Path:
    inbox = out / "inbox"
    if inbox.exists() and (not inbox.is_dir() or any(inbox.iterdir())):
        raise CallError(f"{inbox} is there already and not empty. Name another folder, or clear that one.")
    try:
        inbox.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CallError(f"{inbox} can't be made: {error.strerror}. Name another folder.") from None
    return inbox


def _adapted(scenario: Scenario | str, wanted: Mapping[str, float | None]) -> Scenario:
    if isinstance(scenario, str):
        scenario = scenario_named(scenario)
    changes: dict[str, Any] = {name: value for name, value in wanted.items() if value is not None}
    for name, value in changes.items():
        low, high = LIMITS[name]
        if not low <= value <= high:
            raise CallError(f"A season can't have {name} = {value}: it must be from {low} to {high}.")
    adapted = replace(scenario, **changes)
    days = -(-adapted.fields // adapted.machines)
    if days > LONGEST_DAYS:
        raise CallError(
            f"{adapted.machines} machines need {days} days for {adapted.fields} fields, one a day each: "
            f"give at least {-(-adapted.fields // LONGEST_DAYS)} machines."
        )
    return adapted


def _day(machine_field: MachineField) -> str:
    return machine_field.readings["time"][0].date().isoformat()


def _folder(inbox: Path, machine_field: MachineField) -> Path:
    folder = inbox / machine_field.machine.name.lower().replace(" ", "_")
    folder.mkdir(exist_ok=True)
    return folder


def _write_csv(inbox: Path, season: Season, machine_field: MachineField, compress: bool, spoil: bool) -> None:
    number = season.machines.index(machine_field.machine)
    text = write_dialect(machine_field.readings, DIALECTS[number % len(DIALECTS)], ZONE)
    if spoil:
        text = damaged(text)
    path = _folder(inbox, machine_field) / f"harvest_{_day(machine_field)}.csv"
    if compress and not spoil:
        path.with_suffix(".csv.gz").write_bytes(_gzipped(text))
    else:
        path.write_bytes(text.encode())


def _write_task_data(inbox: Path, machine_field: MachineField) -> None:
    from chaffinch.pipelines.simulate.task_data.writer import write_task_data

    write_task_data(
        _folder(inbox, machine_field) / f"taskdata_{_day(machine_field)}",
        [machine_field.readings],
        machine_field.adjustments,
        {machine_field.field: machine_field.boundary_wkt},
        ZONE,
    )


def _gzipped(text: str) -> bytes:
    """Without name and clock in the header, so that the same text gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, mtime=0, compresslevel=9) as file:
        file.write(text.encode())
    return buffer.getvalue()


def _write_table(path: Path, frame: pl.DataFrame) -> None:
    path.write_bytes(frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ").encode())


def _counted(machine_field: MachineField, number: int) -> pl.DataFrame:
    """The loss checks with all columns of the file; every second field's are kernel counts in frames."""
    checks = machine_field.loss_checks
    empty = [name for name in LOSS_CHECKS if name not in checks.columns]
    checks = checks.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in empty)
    kg_ha = pl.col("machine_loss_kg_ha")
    if number % 2 == 0:
        return checks.with_columns(kg_ha.round(0))
    mass_g, cut_m = CROPS[machine_field.crop].thousand_kernel_mass_g, machine_field.machine.header_m
    frame_area_m2, frames, discharge_m = 0.25, 4, 2.0
    behind_g_m2 = kg_ha / 10.0 * cut_m / discharge_m
    return checks.with_columns(
        (behind_g_m2 * frame_area_m2 * frames / mass_g * 1000.0).round(0).alias("kernels"),
        pl.lit(frame_area_m2).alias("frame_area_m2"),
        pl.lit(float(frames)).alias("frames"),
        pl.lit(mass_g).alias("thousand_kernel_mass_g"),
        pl.lit(discharge_m).alias("discharge_width_m"),
        pl.lit(cut_m).alias("cut_width_m"),
        pl.lit(None, dtype=pl.Float64).alias("machine_loss_kg_ha"),
    )


def _feature(machine_field: MachineField) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"field": machine_field.field},
        "geometry": {"type": "Polygon", "coordinates": [[list(point) for point in machine_field.boundary]]},
    }


def _farm_toml(season: Season, log_form: LogForm) -> str:
    blocks = ["# Made-up farm. Everything here is optional.\n", '[prices]\ncurrency = "EUR"']
    prices = {"wheat": 210, "barley": 180, "canola": 440}
    listed = ", ".join(f"{crop} = {prices[crop]}" for crop in dict.fromkeys(season.scenario.crops))
    blocks.append(f"per_t = {{ {listed} }}\nmachine_per_h = 250\n")
    for number, machine in enumerate(season.machines):
        blocks.append(f'[machines."{machine.name}"]\nwidth_m = {machine.header_m}')
        if machine.drum_diameter_m is not None:
            blocks.append(f"drum_diameter_m = {machine.drum_diameter_m}")
        if log_form == "task-data" or DIALECTS[number % len(DIALECTS)].clock == "local":
            blocks.append(f'time_zone = "{ZONE}"  # clock of its terminal')
        blocks.append("")
    return "\n".join(blocks)
