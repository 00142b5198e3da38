"""How long a value holds: by the trigger methods of the device first, by the log second, else by positions."""

from __future__ import annotations

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed

BY_TIME, ON_CHANGE, BY_ALL = 1, 8, 31
M_PER_DEG = 111_195


def read(triggers: int, with_moisture: bool, seconds: int = 600, moving: bool = True) -> Parsed:
    """Speed logged when it changes: ten bursts of 20 s at a value a second, with 40 s at rest between them.

    At the end of a burst the machine drives 2 m/s or, not ``moving``, stands. Moisture comes by the second.
    """
    machine = sets.device((1, "machine", [(397, triggers, "speed", ""), (99, BY_TIME, "moisture", "")]))
    records, place = [], 0.0
    for second in range(seconds):
        step = second % 60
        rising = step < 20
        speed_mm_s = 100 * (step + 1) + second // 60 if rising else 2000 + second // 60
        place += (speed_mm_s if moving else 0) / 1000
        row = [(0, speed_mm_s)] if rising else []
        row += [(1, 140_000)] if with_moisture else []
        records.append(sets.record(second, row, place=(52 + place / M_PER_DEG, 7.0)))
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=machine),
        TLG00001_XML=sets.header(sets.values((397, 1), (99, 1))),
        TLG00001_BIN=b"".join(records),
    )
    return read_task_data(files, "set", Farm(time_zone="UTC"))


@pytest.mark.parametrize("triggers", [ON_CHANGE, BY_ALL, BY_TIME])
@pytest.mark.parametrize("with_moisture", [True, False])
def test_a_speed_that_rests_after_a_burst_stays_known(triggers: int, with_moisture: bool) -> None:
    parsed = read(triggers, with_moisture)
    assert parsed.readings is not None
    speed = parsed.readings["speed_m_s"]
    assert speed.null_count() == 0
    rests = speed.gather([second for second in range(600) if second % 60 >= 25 and second % 60 < 58])
    assert rests.to_list() == pytest.approx([2.0] * len(rests), abs=0.02)
    assert parsed.attention == ()


def test_positions_settle_whether_a_held_speed_still_holds() -> None:
    """All methods are described, so the log leaves open whether the machine stopped; its places show it."""
    parsed = read(BY_ALL, with_moisture=True, moving=False)
    assert parsed.readings is not None
    rests = parsed.readings["speed_m_s"].gather([s for s in range(600) if s % 60 >= 25])
    assert rests.to_list() == [0.0] * len(rests)
    assert any("there is that of the positions" in note for note in parsed.notes)


def test_a_flow_in_doubt_holds_while_the_device_goes_on_and_no_longer_than_ten_minutes() -> None:
    machine = sets.device((1, "machine", [(87, BY_ALL, "flow", ""), (99, BY_TIME, "moisture", "")]))
    rows = [[(0, 8_000_000 + s), (1, 140_000)] if s < 60 or s > 1400 else [(1, 140_000)] for s in range(1500)]
    found = read_rows(machine, rows)
    assert found[59:660] == pytest.approx([8.000059] * 601) and found[662:1400] == [None] * 738


def test_a_flow_in_doubt_of_a_silent_device_is_not_kept_on() -> None:
    machine = sets.device((1, "machine", [(87, BY_ALL, "flow", ""), (99, BY_TIME, "moisture", "")]))
    rows = [[(0, 8_000_000 + s), (1, 140_000)] if s < 60 or s > 300 else [] for s in range(400)]
    found = read_rows(machine, rows)
    assert found[62] is not None and found[63:300] == [None] * 237


def read_rows(machine: str, rows: list[list[tuple[int, int]]]) -> list[float | None]:
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=machine),
        TLG00001_XML=sets.header(sets.values((87, 1), (99, 1))),
        TLG00001_BIN=b"".join(sets.record(s, row) for s, row in enumerate(rows)),
    )
    readings = read_task_data(files, "set", Farm(time_zone="UTC")).readings
    assert readings is not None
    return readings["grain_flow_kg_s"].to_list()
