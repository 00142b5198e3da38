"""Which start sheets there are, and what each is made from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import polars as pl
from chaffinch.dashboards.start_sheet.sheet import Sheeted
from chaffinch.dashboards.words.begun_trials import BegunTrial, MachineSetting
from chaffinch.dashboards.words.links import page_name
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.next_season import Advice, advice_of
from chaffinch.pipelines.estimate.responses.best_value import BestValue, best_values
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import settings

Used = dict[str, tuple[str, float]]


def start_sheet_href(machine: str, crop: str | None) -> str:
    """The sheet's page, from the root of the site; the PDF lies next to it, ending in .pdf."""
    return f"start_sheets/{page_name('start', machine, crop)}"


def start_sheets_of(
    where: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    facts: Mapping[str, Mapping[str, Any]],
    farm: Farm,
    begun: Mapping[MachineSetting, BegunTrial],
    lines: Sequence[MachineLines],
) -> list[Sheeted]:
    """One a machine and crop that was harvested, by name.

    where : ``machine_fields`` with ``href`` of each field's page. facts : crop and minutes at each value, by page.
    tables : effects, responses. begun : of ``begun_trials``. lines : of all machines.
    """
    advice: dict[tuple[str, str | None], list[Advice]] = {}
    for one in advice_of(tables["responses"], lines, [], farm, begun):
        advice.setdefault((one.machine, one.crop), []).append(one)
    fleet: dict[str | None, list[BestValue]] = {}
    for best in best_values(tables["responses"].filter(pl.col("machine").is_null())):
        fleet.setdefault(best.crop, []).append(best)
    jobs: dict[tuple[str, str | None], list[Mapping[str, Any]]] = {}
    last: dict[tuple[str, str | None], datetime] = {}
    for row in where.sort("first_time").iter_rows(named=True):
        noted = facts.get(row["href"])
        if noted is not None and noted["crop"] is not None:
            key = row["machine"], noted["crop"]
            jobs.setdefault(key, []).append(noted)
            last[key] = max(last.get(key, row["last_time"]), row["last_time"])
    effects = tables["effects"].partition_by("machine", "crop", as_dict=True)
    none = tables["effects"].clear()
    return [
        Sheeted(
            *key,
            advice.get(key, []),
            pl.concat([effects.get(key, none), effects.get((None, key[1]), none)]),
            used_last(noted),
            last[key],
            len(noted),
            fleet.get(key[1], []),
        )
        for key, noted in sorted(jobs.items())
    ]


def used_last(noted: list[Mapping[str, Any]]) -> Used:
    """Setting to the value used longest in the last field that has one, and its hours over all fields.

    noted : facts of fields in order of time.
    """
    hours: dict[str, dict[str, float]] = {}
    last: dict[str, str] = {}
    for field in noted:
        here: dict[str, dict[str, float]] = {}
        for setting, value, minutes in field["in_use"]:
            known = settings().get(setting)
            # Facts show numbers with their unit.
            bare = value.split(" ")[0] if known is not None and known.kind == "number" else value
            here.setdefault(setting, {})[bare] = here.get(setting, {}).get(bare, 0.0) + minutes / 60
        for setting, values in here.items():
            last[setting] = max(values, key=lambda value: values[value])
            total = hours.setdefault(setting, {})
            for value, spent in values.items():
                total[value] = total.get(value, 0.0) + spent
    return {setting: (value, hours[setting][value]) for setting, value in last.items()}
