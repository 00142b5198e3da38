"""Broken task data: what is sound is read, the rest is set aside with byte offset and reason."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed, rows_aside
from chaffinch.schemas.declarations import reasons

FARM = Farm(time_zone="UTC")
RECORD_BYTES = 15 + 1 + 5


def read(**changes: bytes | None) -> Parsed:
    parsed = read_task_data(sets.members(**changes), "set", FARM)
    kept = sum(len(frame) for frame in (parsed.readings, parsed.fields) if frame is not None)
    assert parsed.rows_read == kept + parsed.rows_set_aside
    if parsed.set_aside is not None:
        assert set(parsed.set_aside["rule"]) <= set(reasons())
        if parsed.readings is not None:
            assert not set(rows_aside(parsed.set_aside)) & set(parsed.readings["row"])
    return parsed


def only_aside(parsed: Parsed) -> dict[str, str]:
    assert parsed.set_aside is not None
    (row,) = parsed.set_aside.to_dicts()
    return row


def test_a_sound_set_has_nothing_set_aside() -> None:
    parsed = read()
    assert parsed.attention == ()
    assert parsed.set_aside is None
    assert parsed.readings is not None
    assert parsed.rows_read == 60
    assert parsed.readings["row"].to_list() == list(range(1, 61))
    assert parsed.readings["working_width_m"].unique().to_list() == [9.0]
    assert parsed.readings["working"].unique().to_list() == [1.0]


@pytest.mark.parametrize("left", [1, 14, 15, 20])
def test_a_cut_last_record(left: int) -> None:
    sound = sets.log(60)
    parsed = read(TLG00001_BIN=sound + sets.record(60, [(0, 1)])[:left])
    assert parsed.readings is not None and len(parsed.readings) == 60
    row = only_aside(parsed)
    assert (row["row"], row["rule"]) == (61, "cut_record")
    assert row["sentence"] == (
        f"TLG00001: The log ends inside a record: {left} bytes at byte {len(sound)} are left over."
    )
    assert json.loads(row["content"])["bytes"] == sets.record(60, [(0, 1)])[:left].hex()


def test_garbage_in_the_middle() -> None:
    before, after = sets.log(30), b"".join(sets.record(second, [(0, 1600)]) for second in range(30, 90))
    garbage = bytes(range(130, 193))
    parsed = read(TLG00001_BIN=before + garbage + after)
    assert parsed.readings is not None
    assert parsed.readings["row"].to_list() == [*range(1, 31), *range(32, 92)]
    assert parsed.readings["speed_m_s"].to_list() == [1.5] * 30 + [1.6] * 60
    row = only_aside(parsed)
    assert (row["row"], row["rule"]) == (31, "damaged_log")
    assert f"bytes {len(before)} to {len(before) + len(garbage) - 1}" in row["sentence"]
    assert json.loads(row["content"])["bytes"] == garbage.hex()


@pytest.mark.parametrize(
    ("later_days", "records", "found"), [(0, 1, 1), (0, 2, 2), (30, 7, 0), (30, 8, 8), (-400, 8, 0)]
)
def test_after_damage_a_log_goes_on_only_where_its_date_agrees(
    later_days: int, records: int, found: int
) -> None:
    """On the date before the damage the next record will do, on a later one eight in a row, on no earlier one."""
    day = sets.DAY + later_days
    after = b"".join(sets.record(second, [(0, 1600)], day=day) for second in range(31, 31 + records))
    parsed = read(TLG00001_BIN=sets.log(30) + bytes(range(130, 193)) + after)
    assert parsed.readings is not None and len(parsed.readings) == 30 + found
    only_aside(parsed)


def test_a_wrong_count_in_the_first_record() -> None:
    """Met in real logs: the first record says 0 values and one follows."""
    first = bytearray(sets.record(0, [(0, 1500)]))
    first[15] = 0
    parsed = read(TLG00001_BIN=bytes(first) + sets.log(60))
    assert parsed.readings is not None
    assert parsed.readings["speed_m_s"].drop_nulls().to_list() == [1.5] * 60
    row = only_aside(parsed)
    assert json.loads(row["content"])["length"] == "5"


def test_a_header_that_lists_more_than_the_log_holds() -> None:
    values = sets.VALUES + "".join(f'<DLV A="{number:04X}" B="" C="DET-1"/>' for number in range(0x53, 0x63))
    parsed = read(TLG00001_XML=sets.header(values))
    assert parsed.set_aside is None
    assert parsed.readings is not None and len(parsed.readings) == 60


def test_a_log_that_names_a_value_beyond_its_header() -> None:
    bad = sets.record(30, [(7, 1)])
    data = sets.log(30) + bad + b"".join(sets.record(second, [(0, 1500)]) for second in range(31, 60))
    parsed = read(TLG00001_BIN=data)
    assert parsed.readings is not None and len(parsed.readings) == 59
    assert json.loads(only_aside(parsed)["content"])["bytes"] == bad.hex()


def test_a_wrong_declared_length_is_a_note() -> None:
    tasks = '<TSK A="TSK-1" E="PFD-1" G="4"><TLG A="TLG00001" B="12" C="1"/></TSK>'
    parsed = read(TASKDATA_XML=sets.task_file(tasks=tasks))
    assert parsed.readings is not None and len(parsed.readings) == 60
    size = len(sets.log(60))
    assert (
        f"TLG00001: the task file declares 12 bytes, the log has {size}; it was read whole." in parsed.notes
    )


TWO = '<TSK A="TSK-1" E="PFD-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002" C="1"/></TSK>'


def test_a_log_without_header_leaves_the_others() -> None:
    parsed = read(TASKDATA_XML=sets.task_file(tasks=TWO), TLG00002_BIN=b"\1" * 99)
    assert parsed.readings is not None and len(parsed.readings) == 60
    row = only_aside(parsed)
    assert (row["row"], row["rule"]) == (61, "log_without_header")
    assert row["sentence"] == (
        "TLG00002.XML, the header of TLG00002.BIN, is missing, so its 99 bytes have no layout."
    )


def test_a_header_without_log() -> None:
    parsed = read(TASKDATA_XML=sets.task_file(tasks=TWO), TLG00002_XML=sets.header())
    assert only_aside(parsed)["sentence"] == "TLG00002.BIN is named by task TSK-1 but is missing."


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"", "TLG00002.XML is not XML; the 3 bytes of TLG00002.BIN were not read."),
        (b"\x00\x01\x02", "TLG00002.XML is not XML; the 3 bytes of TLG00002.BIN were not read."),
        (b"<XFC/>", "holds no TIM element, so the layout of the log is not known"),
        (b'<A><TIM A=""/><TIM A=""><PTN A=""/></TIM></A>', "several TIM elements that disagree"),
    ],
)
def test_a_header_that_is_none(text: bytes, why: str) -> None:
    changes = {"TASKDATA_XML": sets.task_file(tasks=TWO), "TLG00002_XML": text, "TLG00002_BIN": b"abc"}
    assert why in only_aside(read(**changes))["sentence"]


def test_a_header_cut_off_is_used_as_far_as_it_goes() -> None:
    parsed = read(TLG00001_XML=sets.header()[:-6])
    assert parsed.readings is not None and len(parsed.readings) == 60
    assert any("TLG00001.XML breaks off at line 1" in asked for asked in parsed.attention)


def test_an_empty_log_has_no_rows() -> None:
    parsed = read(TLG00001_BIN=b"")
    assert (parsed.readings, parsed.set_aside, parsed.rows_read) == (None, None, 0)
    assert any("TLG00001.BIN is empty" in sentence for sentence in parsed.attention)


def test_a_log_of_no_task() -> None:
    parsed = read(TLG00009_XML=sets.header(), TLG00009_BIN=sets.log(5))
    assert parsed.readings is not None and parsed.set_aside is None
    assert parsed.readings["field"].to_list() == ["Mill Field"] * 60 + [None] * 5
    assert "TLG00009: no task names this log, so its field and crop are unknown." in parsed.notes


def test_a_log_of_no_task_and_without_header() -> None:
    parsed = read(TLG00009_BIN=sets.log(5))
    row = only_aside(parsed)
    assert row["rule"] == "log_without_task"
    assert row["sentence"] == "TLG00009.BIN: 115 bytes of a log that no task names and without a header."


def test_a_header_of_no_task_and_without_its_log() -> None:
    parsed = read(TLG00007_XML=sets.header())
    assert parsed.set_aside is not None and parsed.set_aside["rule"].to_list() == ["log_missing"]
    assert "TLG00007.XML is the header of a log, and TLG00007.BIN" in parsed.set_aside["sentence"][0]
    assert parsed.rows_read == 61


def test_a_log_named_twice_is_read_once() -> None:
    tasks = "".join(
        f'<TSK A="TSK-{n}" E="PFD-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="tlg00001"/></TSK>' for n in (1, 2)
    )
    parsed = read(TASKDATA_XML=sets.task_file(tasks=tasks))
    assert parsed.rows_read == 60
    assert "TLG00001: named by more than one task; read once." in parsed.notes


def test_two_files_of_one_name() -> None:
    files = sets.members()
    files["tlg00001.bin"] = lambda: sets.log(3)
    parsed = read_task_data(files, "set", FARM)
    assert parsed.readings is not None and len(parsed.readings) == 60
    assert parsed.set_aside is not None
    assert parsed.set_aside["rule"].to_list() == ["log_of_same_name"]
    assert sets.log(3).hex() in parsed.set_aside["content"][0]
    assert "tlg00001.bin: this name occurs twice; the second file was not read." in parsed.attention


def test_files_of_another_kind_are_named() -> None:
    parsed = read(TLG00001_SYN=b"x", NOTES_TXT=b"hello")
    assert parsed.rows_read == 60
    said = "Not read: NOTES.TXT, TLG00001.SYN (not part of the standard)."
    assert said in parsed.notes


def test_lower_case_names() -> None:
    lower = {name.lower(): content for name, content in sets.members().items()}
    assert read_task_data(lower, "set", FARM).rows_read == 60


def test_no_task_file(tmp_path: Path) -> None:
    (tmp_path / "TLG00001.BIN").write_bytes(sets.log())
    with pytest.raises(UnreadableFile, match=r"There is no TASKDATA.XML in it; export the whole folder"):
        sets.read_packed(tmp_path)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"hello", "TASKDATA.XML is not XML"),
        (b"<html/>", "does not begin with ISO11783_TaskData, so it is not task data"),
    ],
)
def test_a_task_file_that_is_none(text: bytes, why: str) -> None:
    with pytest.raises(UnreadableFile, match=why):
        read(TASKDATA_XML=text)


def test_a_task_file_that_breaks_off_is_used_as_far_as_it_goes() -> None:
    parsed = read(TASKDATA_XML=sets.task_file()[:-20])
    assert parsed.rows_read == 60
    assert any(note.startswith("TASKDATA.XML breaks off at line") for note in parsed.notes)


def test_bytes_of_an_old_code_page_and_a_bare_bracket() -> None:
    text = sets.task_file(more='<PFD A="PFD-1" C="M\xfchle" D="0"/><PFD A="PFD-2" C="a<b" D="0"/>')
    parsed = read(TASKDATA_XML=text.decode().encode("latin-1"))
    assert parsed.readings is not None
    assert parsed.readings["field"].unique().to_list() == ["M\xfchle"]


def test_an_identifier_declared_twice() -> None:
    again = sets.DEVICE.replace("Third Combine", "Another")
    parsed = read(TASKDATA_XML=sets.task_file(devices=sets.DEVICE + again))
    assert parsed.readings is not None
    assert parsed.readings["machine"].unique().to_list() == ["Third Combine"]
    assert "DVC 'DVC-1' is declared twice; the first counts." in parsed.notes


def test_a_value_of_a_device_that_is_not_there() -> None:
    parsed = read(TASKDATA_XML=sets.task_file(devices=""))
    assert parsed.readings is not None
    assert parsed.readings["machine"].unique().to_list() == ["unnamed machine"]
    # The dictionary still tells speed from state.
    assert parsed.readings["speed_m_s"].unique().to_list() == [1.5]
    result = "device elements that the task file does not describe (DET-1, DET-2) were read by the dictionary"
    assert any(result in sentence for sentence in parsed.attention)
    assert any("the machine has no name; name it in farm.toml" in sentence for sentence in parsed.attention)


def test_a_field_that_is_not_there() -> None:
    parsed = read(TASKDATA_XML=sets.task_file(more=""))
    assert parsed.readings is not None and parsed.readings["field"].null_count() == 60
    result = "TLG00001: its task names field PFD-1, which the task file does not list."
    assert result in parsed.attention


def test_a_plan_without_logs() -> None:
    plan = sets.task_file(tasks='<TSK A="TSK-1" G="1"/>')
    parsed = read(TASKDATA_XML=plan, TLG00001_XML=None, TLG00001_BIN=None)
    assert any("TASKDATA.XML names no log; it is a plan" in sentence for sentence in parsed.attention)


@pytest.mark.parametrize(
    ("day", "shown"), [(0, "1980-01-01"), (36_600, "2080-03-16"), (65_535, "2159-06-06")]
)
def test_a_date_before_or_after_any_log(day: int, shown: str) -> None:
    odd = sets.record(30, [(0, 1500)], day=day)
    data = sets.log(30) + odd + b"".join(sets.record(second, [(0, 1500)]) for second in range(31, 60))
    parsed = read(TLG00001_BIN=data)
    assert parsed.readings is not None and len(parsed.readings) == 59
    row = only_aside(parsed)
    assert (row["row"], row["rule"], row["column"], row["value"]) == (31, "bad_time", "time", shown)
    assert row["sentence"] == (
        f"TLG00001: record 31 at byte {len(sets.log(30))} has no usable time: its date is {shown}."
    )


def test_position_zero_is_left_empty() -> None:
    data = sets.record(0, [(0, 1500)], place=(0, 0)) + sets.log(60)[31:]
    parsed = read(TLG00001_BIN=data)
    assert parsed.readings is not None
    assert parsed.readings["latitude"].null_count() == 1
    assert "TLG00001: position 0/0 in 1 of 60 records; left empty." in parsed.notes


def test_a_stale_position_in_another_country_is_left_empty() -> None:
    """Met in real logs: the receiver starts with the place where it was switched off."""
    stale = b"".join(sets.record(second, [(0, 1500)], place=(47.0, -1.0)) for second in range(3))
    after = b"".join(sets.record(second, [(0, 1500)]) for second in range(3, 60))
    parsed = read(TLG00001_BIN=stale + after)
    assert parsed.readings is not None
    assert parsed.readings["latitude"].to_list() == [None] * 3 + [52.0] * 57
    assert any("position far from the rest of the log in 3 of 60 records" in note for note in parsed.notes)


def test_position_not_available_is_left_empty() -> None:
    gone = struct.pack("<IHiiBB", sets.START_MS, sets.DAY, 2**31 - 1, 2**31 - 1, 0, 0)
    parsed = read(TLG00001_BIN=gone + sets.log(60)[31:])
    assert parsed.readings is not None
    assert parsed.readings["longitude"].null_count() == 1


def test_position_outside_the_globe() -> None:
    parsed = read(TLG00001_BIN=sets.log(30) + sets.record(30, [(0, 1500)], place=(95.0, 7.0)))
    row = only_aside(parsed)
    assert (row["rule"], row["value"]) == ("bad_position", "95.0000000, 7.0000000")
    assert "record 31 at byte" in row["sentence"]


def test_a_task_with_an_unusable_log_name() -> None:
    tasks = '<TSK A="TSK-1" G="4"><TLG A="../../secret" C="1"/></TSK>'
    parsed = read(TASKDATA_XML=sets.task_file(tasks=tasks), TLG00001_BIN=None, TLG00001_XML=None)
    assert only_aside(parsed)["sentence"] == (
        "TSK-1: a log has a name that the standard does not allow; it was not looked for."
    )
    assert "secret" not in str(parsed)


def test_a_negative_declared_length_and_other_nonsense_numbers() -> None:
    tasks = '<TSK A="TSK-1" E="PFD-1" G="x"><TLG A="TLG00001" B="-5" C="q"/><TIM A="?" D=""/></TSK>'
    assert read(TASKDATA_XML=sets.task_file(tasks=tasks)).rows_read == 60


def test_people_are_not_read() -> None:
    people = (
        '<CTR A="CTR-1" B="Quillfeather" C="Anna" D="Mill Lane 7" J="0123"/>'
        '<WKR A="WKR-1" B="Quillfeather"/><FRM A="FRM-1" B="Quillfeather" I="CTR-1"/>'
        '<PFD A="PFD-1" C="Mill Field" D="0" E="CTR-1" F="FRM-1"/>'
    )
    parsed = read(TASKDATA_XML=sets.task_file(more=people))
    assert parsed.rows_read == 60
    assert "Quillfeather" not in str(parsed.readings) + str(parsed.notes) + str(parsed.fields)
