"""A made-up season as an inbox on disk: what a farm's machines would have exported."""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.simulate.crops import CROPS
from chaffinch.pipelines.simulate.dialects import DIALECTS, render
from chaffinch.pipelines.simulate.machine_field import MachineField
from chaffinch.pipelines.simulate.scenario import Scenario
from chaffinch.pipelines.simulate.scenarios import scenario_named
from chaffinch.pipelines.simulate.season import Season, simulate_season

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


def write_season_files(
    out: Path,
    scenario: Scenario | str = "plain",
    seed: int | None = None,
    *,
    fields: int | None = None,
    hours: float | None = None,
    machines: int | None = None,
    adjustments: int | None = None,
    year: int | None = None,
    compress: bool = False,
    spoil: bool = False,
) -> dict[str, Any]:
    """Write a season to ``out``: ``out/inbox`` as a farm would deliver it, and ``out/truth.csv`` beside it.

    In the inbox: one harvest log per machine and day, in a dialect that differs from machine to machine
    (plain canonical; semicolons, decimal commas, km/h and local time; tabs and imperial units),
    ``settings_log.csv``, ``loss_checks.csv``, ``fields.geojson`` and ``farm.toml``. The same arguments give
    the same bytes.

    fields, hours, machines, adjustments, year : instead of the scenario's own.
    compress : harvest logs as ``.csv.gz``. spoil : damage a few rows of the last log, as real logs are; that
        one stays uncompressed, to be looked at.

    Returns a summary for people and programs: paths, counts, scenario, seed.

    Raises ``CallError`` if the inbox is there already and not empty, for an unknown scenario, or if a number
    makes no season.
    """
    adapted = _adapted(scenario, fields, hours, machines, adjustments, year)
    season = simulate_season(adapted, DEFAULT_SEED if seed is None else seed)
    inbox = out / "inbox"
    if inbox.exists() and (not inbox.is_dir() or any(inbox.iterdir())):
        raise CallError(f"{inbox} is there already and not empty. Name another folder, or clear that one.")
    inbox.mkdir(parents=True, exist_ok=True)
    adjustments_logged, checks, truths, features = [], [], [], []
    rows = 0
    for number, machine_field in enumerate(season.iter()):
        last = number == season.scenario.fields - 1
        _write_harvest_log(inbox, season, machine_field, compress, spoil and last)
        rows += machine_field.readings.height
        adjustments_logged.append(machine_field.adjustments)
        checks.append(_counted(machine_field, number))
        truths.append(machine_field.truth)
        features.append(_feature(machine_field))
    logged = pl.concat(adjustments_logged).sort("time", maintain_order=True)
    checked = pl.concat(checks).sort("time", maintain_order=True)
    truth = pl.concat(truths)
    _write_table(inbox / "settings_log.csv", logged.select(SETTINGS_LOG))
    _write_table(inbox / "loss_checks.csv", checked.select(LOSS_CHECKS))
    _write_table(out / "truth.csv", truth.with_columns(pl.col(pl.Float64).round(4)))
    collection = {"type": "FeatureCollection", "features": features}
    (inbox / "fields.geojson").write_text(json.dumps(collection, indent=1) + "\n", encoding="utf-8")
    (inbox / "farm.toml").write_text(_farm_toml(season), encoding="utf-8")
    return {
        "inbox": str(inbox),
        "truth": str(out / "truth.csv"),
        "scenario": season.scenario.name,
        "seed": season.seed,
        "machine_fields": season.scenario.fields,
        "machines": len(season.machines),
        "readings": rows,
        "adjustments": logged.height,
        "loss_checks": checked.height,
        "files": sum(1 for file in inbox.rglob("*") if file.is_file()),
    }


LIMITS = {
    "fields": (1, 2000),
    "hours": (0.5, 14),
    "machines": (1, 500),
    "adjustments": (0, 60),
    "year": (1990, 2100),
}


def _adapted(scenario: Scenario | str, *wanted: float | None) -> Scenario:
    if isinstance(scenario, str):
        scenario = scenario_named(scenario)
    changes = {name: value for name, value in zip(LIMITS, wanted, strict=True) if value is not None}
    for name, value in changes.items():
        low, high = LIMITS[name]
        if not low <= value <= high:
            raise CallError(f"A season can't have {name} = {value}: it must be from {low} to {high}.")
    return replace(scenario, **changes)


def _write_harvest_log(
    inbox: Path, season: Season, machine_field: MachineField, compress: bool, spoil: bool
) -> None:
    number = season.machines.index(machine_field.machine)
    folder = inbox / machine_field.machine.name.lower().replace(" ", "_")
    folder.mkdir(exist_ok=True)
    text = render(machine_field.readings, DIALECTS[number % len(DIALECTS)], ZONE)
    if spoil:
        text = spoiled(text)
    day = machine_field.readings["time"][0].date().isoformat()
    if compress and not spoil:
        (folder / f"harvest_{day}.csv.gz").write_bytes(_gzipped(text))
    else:
        (folder / f"harvest_{day}.csv").write_bytes(text.encode())


def _gzipped(text: str) -> bytes:
    """Without name and clock in the header, so that the same text gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, mtime=0, compresslevel=9) as file:
        file.write(text.encode())
    return buffer.getvalue()


def _write_table(path: Path, frame: pl.DataFrame) -> None:
    path.write_bytes(frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ").encode())


def spoiled(text: str) -> str:
    """``text`` of a harvest log with the damage that real ones have, in rows spread over the file.

    Words where numbers belong, an impossible month, a moisture above all bounds, a row cut short, the header
    once more in the middle.
    """
    lines = text.splitlines()
    separator = next(mark for mark in (";", "\t", ",") if mark in lines[0])
    header = lines[0].split(separator)
    moisture = next(i for i, name in enumerate(header) if "moisture" in name.lower())
    speed = next(i for i, name in enumerate(header) if "speed" in name.lower())

    def damage(row: int, column: int, value: str) -> None:
        fields = lines[row].split(separator)
        fields[column] = value
        lines[row] = separator.join(fields)

    every = len(lines) // 8
    damage(every, moisture, "999")
    damage(every + 1, moisture, "999")
    damage(2 * every, speed, "ERR")
    damage(3 * every, 0, lines[3 * every].split(separator)[0].replace("-07-", "-13-").replace("-08-", "-13-"))
    lines[4 * every] = lines[4 * every][: len(lines[4 * every]) // 3]
    damage(5 * every, moisture, "-12")
    lines.insert(6 * every, lines[0])
    return "\n".join(lines) + "\n"


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


def _farm_toml(season: Season) -> str:
    blocks = ["# Made-up farm. Everything here is optional.\n", '[prices]\ncurrency = "EUR"']
    prices = {"wheat": 210, "barley": 180, "canola": 440}
    listed = ", ".join(f"{crop} = {prices[crop]}" for crop in dict.fromkeys(season.scenario.crops))
    blocks.append(f"per_t = {{ {listed} }}\n")
    for number, machine in enumerate(season.machines):
        blocks.append(f'[machines."{machine.name}"]\nwidth_m = {machine.header_m}')
        if DIALECTS[number % len(DIALECTS)].clock == "local":
            blocks.append(f'time_zone = "{ZONE}"  # clock of its terminal')
        blocks.append("")
    return "\n".join(blocks)
