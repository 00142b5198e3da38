"""Ten odd logs of each language family come in to the last value, or are asked about."""

from __future__ import annotations

import pytest
from builders.odd_logs import FAN_RPM, FLOW_KG_S, MOISTURE_PCT, ROWS, SPEED_M_S, START, OddLog, odd_logs
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.validate import apply_rules

LOGS = [pytest.param(name, one, id=f"{name}: {one.name}") for name, one in odd_logs()]
WANTED = {
    "speed_m_s": SPEED_M_S,
    "grain_moisture_pct": MOISTURE_PCT,
    "grain_flow_kg_s": FLOW_KG_S,
    "fan_speed_rpm": FAN_RPM,
}


@pytest.mark.parametrize(("family", "log"), LOGS)
def test_an_odd_log(family: str, log: OddLog) -> None:
    found = apply_rules(read(from_bytes(log.name, log.content), Farm(time_zone="UTC"), []))
    assert found.readings is not None
    readings = found.readings.sort("time")
    assert readings.height == ROWS and found.rows_set_aside == log.others
    assert readings["time"][0] == START and readings["machine"].unique().to_list() == ["C1"]
    for column, values in WANTED.items():
        assert readings[column].to_list() == pytest.approx(values, abs=1e-5), column
    assert found.adjustments is not None
    assert found.adjustments.select("setting", "from_value", "to_value").rows() == [
        ("fan_speed", "950", "1000")
    ]
