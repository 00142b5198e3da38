"""The page of a machine's sensors: what is known of each, in each crop, and from what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.check_signal import checks_against_signal, gain_from_check_to_check
from chaffinch.dashboards.sensors.pan_words import pan_sentences
from chaffinch.dashboards.sensors.sensor_words import sensor_cells, sensor_remarks, weight_sentences
from chaffinch.dashboards.words.links import machine_href
from chaffinch.dashboards.words.terms import crop_label
from chaffinch.pipelines.agronomy.exact import POUND_KG
from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration, calibration_sentences
from chaffinch.pipelines.estimate.sensors.known_sensors import known_sensors, weighed_signals
from chaffinch.pipelines.farm import Farm

Loads = Mapping[tuple[str, str | None], FlowCalibration]

NO_CHECK = (
    "No loss check weighs these signals: effects are known in %, not in kilograms, and whether a signal goes in "
    "proportion to the loss is not known. Weigh pans at a low and at a high loss."
)
IN_KG_S = (
    "Losses are logged in kg/s, as the machine calibrates them; loss checks are not used to weigh them again."
)
NO_LOAD = "No weighed load calibrates the grain flow."


def sensor_context(machine: str, field_jobs: pl.DataFrame, loads: Loads, farm: Farm) -> dict[str, Any]:
    """What the template shows of the sensors of ``machine``. field_jobs : its rows. loads : of all machines."""
    sensors = known_sensors(field_jobs)
    weights, checks = weighed_signals(field_jobs)
    scale = (1000.0, "g/s") if farm.units == "metric" else (60.0 / POUND_KG, "lb/min")
    zone = farm.zone_of(machine)
    crops = field_jobs.sort("first_time")["crop"].unique(maintain_order=True).to_list()
    shown = []
    for number, crop in enumerate(crops, 1):
        same = pl.col("crop").eq_missing(pl.lit(crop, pl.String))
        rows = sensors.filter(same).to_dicts()
        weight = weights.filter(same).to_dicts()
        mine = checks.filter(same)
        calibrated = field_jobs.filter(same)["calibrated"].max() == 1
        drawn = []
        if weight:
            drawn = [
                (
                    "Weighed loss against signal",
                    checks_against_signal(mine, weight[0], scale, zone, f"checks-{number}"),
                ),
                ("From check to check", gain_from_check_to_check(mine, scale, zone, f"gain-{number}")),
            ]
        flow = loads.get((machine, crop))
        shown.append(
            {
                "crop": crop_label(crop),
                "known": weight_sentences(weight[0], scale, zone)
                if weight
                else [IN_KG_S if calibrated else NO_CHECK]
                if rows
                else ["No loss signal is logged here."],
                "sensors": [sensor_cells(row) for row in rows],
                "remarks": [sentence for row in rows for sentence in sensor_remarks(row)],
                "figures": [(name, one) for name, one in drawn if one is not None],
                "pans": pan_sentences(
                    weight[0]["check_error_log"] if weight and weight[0]["checks"] >= 3 else None
                )
                if rows and not calibrated
                else [],
                "flow": calibration_sentences(flow) if flow else [NO_LOAD],
            }
        )
    return {"title": machine, "machine_href": machine_href(machine), "crops": shown}
