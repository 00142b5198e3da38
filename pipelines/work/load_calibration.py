"""Weighed loads of a lake and of its farm.toml, and what they make of the machines' sensors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import polars as pl
from chaffinch.pipelines.agronomy.load_tickets import (
    LOADS_SCHEMA,
    FlowCalibration,
    calibrate_flow,
    calibration_sentences,
    weigh_loads,
)
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.farm.stated_loads import LoadTicket
from chaffinch.pipelines.lake import ReadableLake

_OF_READINGS = ("time", "grain_flow_kg_s", "record_duration_s", "grain_moisture_pct", "crop")


@dataclass(frozen=True, slots=True)
class WeighedLoads:
    """``loads``: rows of ``agronomy.load_tickets.LOADS_SCHEMA``, of all machines. ``by_machine_and_crop``."""

    loads: pl.DataFrame
    by_machine_and_crop: Mapping[tuple[str, str | None], FlowCalibration]

    def of(self, machine: str, crop: str | None) -> FlowCalibration | None:
        """The calibration of a machine in a crop: a sensor's factor in one crop says nothing of another."""
        return self.by_machine_and_crop.get((machine, crop))

    def sentences(self) -> tuple[str, ...]:
        """What the loads say of each machine in each crop, and how many of them say nothing."""
        said = []
        for (machine, crop), found in self.by_machine_and_crop.items():
            said.append(f"{machine}, {crop or 'no crop named'}: {' '.join(calibration_sentences(found))}")
        for (name,), loads in self.loads.filter(pl.col("why").is_not_null()).group_by(
            "machine", maintain_order=True
        ):
            first = loads.row(0, named=True)
            count = "1 weighed load does" if loads.height == 1 else f"{loads.height} weighed loads do"
            said.append(
                f"{name}: {count} not count, first that of {first['time']:%Y-%m-%d %H:%M} UTC: {first['why']}"
            )
        return tuple(said)

    def loads_of(self, machine: str, crop: str | None) -> pl.DataFrame:
        """The loads of a machine in a crop, those whose crop is not known too."""
        same = pl.col("crop").is_null() | pl.col("crop").eq_missing(pl.lit(crop, pl.String))
        return self.loads.filter(pl.col("machine") == machine, same)


def weighed_loads(lake: ReadableLake, farm: Farm) -> WeighedLoads:
    """Compare every weighed load with the log of its machine."""
    tickets = _all_tickets(lake.scan("load_tickets").collect(), farm)
    found = [pl.DataFrame(schema=LOADS_SCHEMA)]
    for (machine,), mine in tickets.group_by("machine", maintain_order=True):
        within = pl.col("time").is_between(mine["time"].min(), mine["end_time"].max())
        readings = (
            lake.scan("readings").filter(pl.col("machine") == machine, within).select(_OF_READINGS).collect()
        )
        # Two logs may hold one moment; its grain passed once.
        once = readings.sort("time").unique("time", keep="first", maintain_order=True)
        found.append(weigh_loads(once, mine))
    loads = pl.concat(found)
    return WeighedLoads(loads, calibrate_flow(loads))


def _all_tickets(delivered: pl.DataFrame, farm: Farm) -> pl.DataFrame:
    """Tickets of delivered files and of farm.toml, by machine and time."""
    names = farm.machine_aliases()
    stated = pl.DataFrame(
        [
            {
                "time": _utc(one.from_, one, farm),
                "end_time": _utc(one.to, one, farm),
                "machine": names.get(one.machine.casefold(), one.machine),
                "field": one.field,
                "crop": farm.crop_named(one.crop) if one.crop else None,
                "ticket": one.ticket,
                "mass_kg": one.mass_kg,
                "moisture_pct": one.moisture_pct,
            }
            for one in farm.load_tickets
        ],
        schema=delivered.drop("delivery", "file", "row", "other").schema,
    )
    return pl.concat([delivered.select(stated.columns), stated]).sort("machine", "time", "end_time")


def _utc(moment: datetime, ticket: LoadTicket, farm: Farm) -> datetime:
    """A wall-clock time by the machine's zone, UTC where none is stated, as for the logs."""
    if moment.tzinfo is not None:
        return moment.astimezone(UTC)
    machine = farm.machine_aliases().get(ticket.machine.casefold(), ticket.machine)
    return moment.replace(tzinfo=ZoneInfo(farm.zone_of(machine) or "UTC")).astimezone(UTC)
