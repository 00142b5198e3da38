"""A setting recorded on drums of two diameters pools by tip speed, from the files of an inbox to the effects.

Common practice, no source: tip speed counts, not rotational speed. Made-up seasons of known truth: one step of
threshing speed, 50 rpm on a drum of 0.60 m, is pi x 0.60 x 50 / 60 = 1.571 m/s and changes separation loss by
-0.30 on the log scale, so one m/s does -0.191, on whatever drum.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate import estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.simulate import SCENARIOS, Effects, LossNoise, Operator, simulate_season
from chaffinch.pipelines.simulate.scenario import Scenario

PER_STEP = -0.30
PER_M_S = PER_STEP / (np.pi * 0.60 * 50 / 60)
SMALL, LARGE = 0.45, 0.75
UP_AND_DOWN = ((35.0, (("threshing_speed", 2),)), (70.0, (("threshing_speed", -2),)))


def _two_drums(fields: int, hours: float) -> Scenario:
    return replace(
        SCENARIOS["two_drums"],
        fields=fields,
        machines=2,
        hours=hours,
        noise=LossNoise(slow_sd=0.08),
        effects=Effects(between_fields_sd=0.0, stated=(("threshing_speed", "separation", PER_STEP),)),
        operator=Operator(script=(UP_AND_DOWN,) * fields),
    )


@pytest.fixture(scope="module")
def binned() -> list[Binned]:
    found = []
    for made in simulate_season(_two_drums(4, 1.75), 7).iter():
        adjustments = real_adjustments(made.adjustments.with_row_index("row"))
        one = prepare(made.readings, adjustments)[0]
        assert one is not None
        found.append(replace(one, outcomes={"separation_loss": one.outcomes["separation_loss"]}))
    return found


def _season_row(effects: pl.DataFrame) -> dict:
    (row,) = effects.filter(
        (pl.col("scope") == "season")
        & (pl.col("outcome") == "separation_loss")
        & (pl.col("setting") == "threshing_speed")
    ).to_dicts()
    return row


@pytest.mark.seconds
def test_two_diameters_pool_by_tip_speed(binned):
    drums = {"threshing_speed": {"Combine A": SMALL, "Combine B": LARGE}}
    row = _season_row(estimate_effects(binned, diameters_m=drums))
    assert (row["per_step"], row["unit"], row["machine"]) == (1.0, "m/s", None)
    assert row["log_ratio_low"] <= PER_M_S <= row["log_ratio_high"]
    assert row["log_ratio"] == pytest.approx(PER_M_S, abs=0.05)
    assert row["adjustments_pooled"] == 8
    assert "diameter_unknown" not in row["reasons"]


@pytest.mark.seconds
def test_a_test_up_and_back_speaks_of_its_values_whatever_the_measure(binned):
    drums = {"threshing_speed": {"Combine A": SMALL, "Combine B": LARGE}}
    by_tip, by_rpm = estimate_effects(binned, diameters_m=drums), estimate_effects(binned)
    repeated = (pl.col("scope") == "field") & (pl.col("adjustments_pooled") == 2)
    fields = [one.filter(repeated) for one in (by_tip, by_rpm)]
    for one in fields:
        assert set(one["unit"]) == {"rpm"}
        assert one["per_step"].null_count() == one.height > 1
    assert fields[0]["alone_log_ratio"].to_list() == pytest.approx(
        fields[1]["alone_log_ratio"].to_list(), rel=0.02
    )
    machines = [set(one.filter(pl.col("scope") == "machine")["unit"]) for one in (by_tip, by_rpm)]
    assert machines == [{"m/s"}, {"rpm"}]


@pytest.mark.seconds
def test_drums_that_are_not_known_pool_by_rpm_and_say_so(binned):
    for drums in ({}, {"threshing_speed": {"Combine A": SMALL}}):
        row = _season_row(estimate_effects(binned, diameters_m=drums))
        assert (row["per_step"], row["unit"]) == (50.0, "rpm")
        assert "diameter_unknown" in row["reasons"]


def test_equal_drums_stay_with_the_step_of_the_catalogue(binned):
    drums = {"threshing_speed": {"Combine A": SMALL, "Combine B": SMALL}}
    row = _season_row(estimate_effects(binned, diameters_m=drums))
    assert (row["per_step"], row["unit"]) == (50.0, "rpm")
    assert "diameter_unknown" not in row["reasons"]


@pytest.mark.proof
def test_through_the_whole_pipeline(tmp_path: Path):
    """Inbox with farm.toml, nightly, effects: per m/s the truth; without the diameters wider, per rpm."""
    from chaffinch.pipelines.command_line.program import run
    from chaffinch.pipelines.simulate.files.inbox_of_season import write_season_files

    write_season_files(tmp_path, _two_drums(6, 1.75), seed=11)
    farm = tmp_path / "inbox" / "farm.toml"
    assert farm.read_text().count("drum_diameter_m") == 2
    ranges = {}
    for name in ("known", "unknown"):
        lake = str(tmp_path / name)
        assert run(["ingest", str(tmp_path / "inbox"), "--lake", lake]) == 0
        assert run(["estimate", "--lake", lake]) == 0
        out = tmp_path / f"{name}.parquet"
        assert run(["export", "effects", "--lake", lake, "--to", str(out)]) == 0
        row = _season_row(pl.read_parquet(out))
        ranges[name] = row["unit"], row["log_ratio_low"], row["log_ratio_high"], row["log_ratio"]
        farm.write_text("\n".join(li for li in farm.read_text().splitlines() if "drum" not in li))
    unit, low, high, estimate = ranges["known"]
    assert unit == "m/s"
    assert low <= PER_M_S <= high
    assert ranges["unknown"][0] == "rpm"
    relative = {name: (r[2] - r[1]) / abs(r[3]) for name, r in ranges.items()}
    assert relative["known"] < relative["unknown"]
