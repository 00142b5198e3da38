"""One impossible value leaves its reading; the rest of the reading stays."""

from __future__ import annotations

import math

from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.validate import apply_rules

FARM = Farm(time_zone="UTC")
MACHINE = sets.device(
    (
        1,
        "machine",
        [(397, 1, "speed", ""), (87, 1, "flow", ""), (99, 1, "moisture", ""), (84, 1, "yield", "")],
    )
)


def judged(listed: list[int], records: list[bytes]) -> Parsed:
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=MACHINE),
        TLG00001_XML=sets.header(sets.values(*((one, 1) for one in listed))),
        TLG00001_BIN=b"".join(records),
    )
    return apply_rules(read_task_data(files, "set", FARM))


def test_an_impossible_flow_leaves_speed_and_moisture_of_its_reading() -> None:
    """87 is in mg/s: 75 kg/s is above what any elevator carries."""
    raw_flows = [8_000_000, 75_000_000, 8_100_000]
    found = judged(
        [397, 87, 99],
        [sets.record(s, [(0, 1500), (1, flow), (2, 140_000)]) for s, flow in enumerate(raw_flows)],
    )
    assert found.readings is not None and found.set_aside is not None
    assert found.readings.select("speed_m_s", "grain_flow_kg_s", "grain_moisture_pct").rows() == [
        (1.5, 8.0, 14.0),
        (1.5, None, 14.0),
        (1.5, 8.1, 14.0),
    ]
    assert found.set_aside.select("row", "rule", "column", "value", "row_kept").rows() == [
        (2, "outside_range", "grain_flow_kg_s", "75.0", True)
    ]
    assert (found.rows_read, found.rows_set_aside, found.rows_with_values_set_aside) == (3, 0, 1)


def test_a_jump_of_the_receiver_costs_the_derived_speed_and_nothing_else() -> None:
    places = [52 + second * 1.5 / 111_195 for second in range(60)]
    places[30] += 0.01  # 1.1 km to the north for one second
    found = judged(
        [87], [sets.record(s, [(0, 8_000_000)], place=(north, 7.0)) for s, north in enumerate(places)]
    )
    assert found.readings is not None and found.set_aside is None
    speed = found.readings["speed_m_s"].to_list()
    assert found.readings["grain_flow_kg_s"].to_list() == [8.0] * 60
    # The mean of five takes the two steps of the jump into the six seconds around it.
    assert [second for second, value in enumerate(speed) if value is None] == [28, 29, 30, 31, 32, 33]
    assert any("worked out here, was impossible in 6 readings" in note for note in found.notes)


def test_a_derived_speed_at_rest_is_never_below_zero() -> None:
    """Steps that differ by rounding end a running mean at -4e-16 m/s without care."""
    moving = [52 + second * 1.1 / 111_195 for second in range(40)]
    found = judged(
        [87],
        [
            sets.record(s, [(0, 8_000_000)], place=(north, 7.0))
            for s, north in enumerate([*moving, *[moving[-1]] * 40])
        ],
    )
    assert found.readings is not None and found.set_aside is None
    assert found.readings["speed_m_s"].drop_nulls().min() == 0.0
    assert len(found.readings) == 80


def test_a_flow_worked_out_of_an_impossible_yield_is_empty_with_a_note() -> None:
    """100 kg/m2 x 9 m x 1.5 m/s = 1350 kg/s."""
    device = MACHINE.replace('<DOR A="100"/>', '<DOR A="100"/><DOR A="900"/>').replace(
        "</DVC>", '<DPT A="900" B="0046" C="9000"/></DVC>'
    )
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=device),
        TLG00001_XML=sets.header(sets.values((397, 1), (84, 1))),
        TLG00001_BIN=b"".join(
            sets.record(s, [(0, 1500), (1, 100_000_000 if s == 1 else 500_000)]) for s in range(3)
        ),
    )
    found = apply_rules(read_task_data(files, "set", FARM))
    assert found.readings is not None and found.set_aside is None
    flow = found.readings["grain_flow_kg_s"].to_list()
    assert flow[1] is None and math.isclose(flow[0], 6.75)
    assert any("worked out here, was impossible in 1 reading" in note for note in found.notes)


def test_a_place_outside_the_globe_leaves_its_reading() -> None:
    records = [sets.record(s, [(0, 1500)]) for s in range(4)]
    records[2] = sets.record(2, [(0, 1600)], place=(95.0, 7.0))
    found = judged([397], records)
    assert found.readings is not None and found.set_aside is not None
    assert found.readings["speed_m_s"].to_list() == [1.5, 1.5, 1.6, 1.5]
    assert found.readings["latitude"].to_list() == [52.0, 52.0, None, 52.0]
    assert found.set_aside.select("row", "rule", "row_kept").rows() == [(3, "bad_position", True)]
    assert found.rows_read == 4
