"""The values of one machine split over several time logs: what was logged goes before what is worked out."""

from __future__ import annotations

import json

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed

TWO_LOGS = '<TSK A="TSK-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002" C="1"/></TSK>'
MACHINE = sets.device(
    (
        1,
        "machine",
        [
            (397, 1, "speed", ""),
            (90, 1, "mass", ""),
            (87, 1, "flow", ""),
            (67, 8, "width", ""),
            (70, 1, "", ""),
        ],
    )
)
# A header of 9 m by the description of the device (identifier 70, the largest width).
WIDEST = '<DPT A="900" B="0046" C="9000" D="widest"/>'
DESCRIBED = MACHINE.replace('<DOR A="100"/>', '<DOR A="100"/><DOR A="900"/>').replace(
    "</DVC>", WIDEST + "</DVC>"
)


def two_logs(
    first: tuple[list[int], list[list[tuple[int, int]]]],
    second: tuple[list[int], list[list[tuple[int, int]]]],
    machine: str = DESCRIBED,
) -> Parsed:
    """Two logs of one task at the same moments and places; each: its identifiers, its values by second."""
    files: dict[str, bytes | None] = {
        "TASKDATA_XML": sets.task_file(devices=machine, tasks=TWO_LOGS, more="")
    }
    for number, (listed, rows) in enumerate((first, second), 1):
        files[f"TLG0000{number}_XML"] = sets.header(sets.values(*((one, 1) for one in listed)))
        files[f"TLG0000{number}_BIN"] = b"".join(
            sets.record(second, row, place=(52 + second * 1.5 / 111_195, 7.0))
            for second, row in enumerate(rows)
        )
    return read_task_data(sets.members(**files), "set", Farm(time_zone="UTC"))


@pytest.mark.parametrize("total_first", [True, False])
def test_a_logged_flow_goes_before_the_growth_of_a_total_in_the_other_log(total_first: bool) -> None:
    total = ([90], [[(0, 8 * second)] for second in range(60)])
    flow = ([87], [[(0, 7_000_000 + 1000 * second)] for second in range(60)])
    parsed = two_logs(*((total, flow) if total_first else (flow, total)))
    assert parsed.readings is not None and parsed.rows_read == 60
    assert parsed.readings["grain_flow_kg_s"].to_list() == [7 + second / 1000 for second in range(60)]


def test_a_logged_width_goes_before_the_largest_of_the_description_in_the_other_log() -> None:
    parsed = two_logs(([397], [[(0, 1500)]] * 60), ([67], [[(0, 4500)], *([[]] * 59)]))
    assert parsed.readings is not None
    assert parsed.readings["working_width_m"].to_list() == [4.5] * 60


def test_a_yield_by_area_meets_the_width_that_the_other_log_holds() -> None:
    """Worked out over both logs: 1 kg/m2 x 4.5 m x 1.5 m/s = 6.75 kg/s."""
    machine = DESCRIBED.replace('B="0057"', 'B="0054"')
    parsed = two_logs(
        ([84], [[(0, 1_000_000)]] * 60), ([67, 397], [[(0, 4500), (1, 1500)], *([[(1, 1500)]] * 59)]), machine
    )
    assert parsed.readings is not None
    assert parsed.readings["grain_flow_kg_s"].to_list() == pytest.approx([6.75] * 60)


def test_a_value_that_both_logs_hold_is_kept_twice_where_they_differ() -> None:
    same = two_logs(([397], [[(0, 1500)]] * 60), ([397], [[(0, 1500)]] * 60))
    differing = two_logs(([397], [[(0, 1500)]] * 60), ([397], [[(0, 1700)]] * 60))
    assert same.readings is not None and differing.readings is not None
    assert same.readings["speed_m_s"].to_list() == differing.readings["speed_m_s"].to_list() == [1.5] * 60
    kept = [json.loads(text)["397/0/speed [m/s]"] for text in differing.readings["other"].to_list()[1:]]
    assert kept == ["1.7"] * 59


def test_three_logs_hold_every_value() -> None:
    tasks = TWO_LOGS.replace("</TSK>", '<TLG A="TLG00003" C="1"/></TSK>')
    files: dict[str, bytes | None] = {"TASKDATA_XML": sets.task_file(devices=DESCRIBED, tasks=tasks, more="")}
    for number, (identifier, raw) in enumerate(((397, 1500), (87, 7_000_000), (67, 4500)), 1):
        files[f"TLG0000{number}_XML"] = sets.header(sets.values((identifier, 1)))
        files[f"TLG0000{number}_BIN"] = b"".join(sets.record(s, [(0, raw)]) for s in range(60))
    parsed = read_task_data(sets.members(**files), "set", Farm(time_zone="UTC"))
    assert parsed.readings is not None and parsed.rows_read == 60
    found = parsed.readings.select("speed_m_s", "grain_flow_kg_s", "working_width_m")
    assert found.unique().rows() == [(1.5, 7.0, 4.5)]
