"""Delays of a machine's fields are drawn together before anything is aligned by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.pipelines.estimate.derived_tables import plan_jobs
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.readable import job_id
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.work import machine_delays
from chaffinch.pipelines.work.delays import of_machine
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, Delays
from chaffinch.pipelines.work.delays.of_machine import rounded


@pytest.fixture(scope="module")
def pooled() -> tuple[dict[str, Sequence[Delays]], float]:
    """One machine's two fields: two hours in one, eight minutes in the other."""
    made = simulate_season(replace(SCENARIOS["plain"], fields=1, machines=1, hours=2.5, adjustments=1), 4)
    field = made.machine_field(0)
    ordered = field.readings.sort("time").head(7680)
    place = pl.when(pl.int_range(pl.len()) < 7200).then(pl.lit("long")).otherwise(pl.lit("short"))
    lake = MemoryLake(readings=ordered.with_columns(place.alias("field"), machine=pl.lit("A")))
    found = {name: [machine_delays(lake.readings("A", name))] for name in ("long", "short")}
    true = field.machine.instruments
    together = of_machine.pooled_delays({name: ("A", delays) for name, delays in found.items()})
    assert {job_id("A", name, None): [rounded(one) for one in together[name]] for name in found} == (
        plan_jobs(lake, Farm()).used
    )
    return together, true.grain_delay_s + true.grain_smear_s


def test_a_field_too_short_to_tell_gets_the_delays_of_the_machines_other_field(pooled):
    delays, true_s = pooled
    (long,), (short,) = delays["long"], delays["short"]
    assert long.grain.seconds == pytest.approx(true_s, abs=1.0)
    assert short.grain.seconds == pytest.approx(long.grain.seconds, abs=0.1)
    assert short.grain.ways == ("season",)
    assert short.grain != DEFAULT_DELAYS.grain
    assert short.grain.error_s >= long.grain.error_s
