"""What real exporters add to the standard, or leave out: each was met in public sample logs, or is a small
step from one that was. Read as it is meant, with a note.
"""

from __future__ import annotations

import json
import struct
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest import read as read_file
from chaffinch.pipelines.ingest.inbox.discover import find_files
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed

UTC_FARM = Farm(time_zone="UTC")


def read(farm: Farm = UTC_FARM, **changes: bytes | None) -> Parsed:
    return read_task_data(sets.members(**changes), "set", farm)


def logged(devices: str, header_values: str, rows: list[list[tuple[int, int]]], **more: str) -> Parsed:
    """One log, a record a second along a meridian at 1.5 m/s."""
    data = b"".join(
        sets.record(second, row, place=(52 + second * 1.5 / 111_195, 7.0)) for second, row in enumerate(rows)
    )
    return read(
        TASKDATA_XML=sets.task_file(devices=devices, **more),
        TLG00001_XML=sets.header(header_values),
        TLG00001_BIN=data,
    )


def column(parsed: Parsed, name: str) -> list:
    assert parsed.readings is not None
    return parsed.readings[name].to_list()


# The task file ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "shown"),
    [
        (b"M\xc3\xbchle & Sons", "Mühle & Sons"),
        (b"M\xfchle &amp; Sons", "Mühle & Sons"),
        (b"Mill & <Race>", "Mill & <Race>"),
        (b"Mill&#1; Field\x02", "Mill  Field"),
        (b"Mill &unknown; Field", "Mill &unknown; Field"),
    ],
)
def test_text_that_is_no_xml(field: bytes, shown: str) -> None:
    parsed = read(TASKDATA_XML=sets.task_file().replace(b"Mill Field", field))
    assert column(parsed, "field") == [shown] * 60


@pytest.mark.parametrize(
    ("declared", "written"),
    [
        ("windows-1252", "cp1252"),
        ("ISO-8859-15", "iso-8859-15"),
        ("UTF8", "utf-8"),
        ("ascii", "utf-8"),
        ("utf-16", "utf-8"),
        ("UTF-8", "utf-16"),
        ("UTF-8", "cp1252"),
        ("no such", "utf-8"),
        ("punycode", "utf-8"),
    ],
)
def test_encodings_whatever_is_declared(declared: str, written: str) -> None:
    text = sets.task_file().decode().replace("UTF-8", declared).replace("Mill Field", "Mühle")
    assert column(read(TASKDATA_XML=text.encode(written)), "field") == ["Mühle"] * 60


@pytest.mark.parametrize(
    "text",
    [
        b"\r\n  " + sets.task_file(),
        sets.task_file() + b"\0" * 512,
        sets.task_file()
        .replace(b"<ISO11783_TaskData", b'<x:ISO11783_TaskData xmlns:x="urn:x"')
        .replace(b"</ISO", b"</x:ISO"),
        sets.task_file().replace(b'A="TLG00001"', b'A="tlg00001.bin"'),
        sets.task_file().replace(b"VersionMajor=", b'P999_own="1" VersionMajor='),
        sets.task_file().replace(b'VersionMajor="3" VersionMinor="3"', b'VersionMajor="0" VersionMinor=""'),
        sets.task_file().replace(b'encoding="UTF-8"', b'encoding="utf-16"').decode().encode("utf-16"),
    ],
    ids=[
        "blank line first",
        "zero bytes last",
        "a namespace",
        "an ending",
        "own attribute",
        "version 0",
        "UTF-16",
    ],
)
def test_forms_of_the_task_file(text: bytes) -> None:
    parsed = read(TASKDATA_XML=text)
    assert column(parsed, "field") == ["Mill Field"] * 60
    assert parsed.set_aside is None and parsed.attention == ()


@pytest.mark.parametrize("stem", ["TLG1", "TLG0001", "TLG00000001", "TLG-1"])
def test_names_of_logs_with_other_counts_of_digits(stem: str) -> None:
    text = sets.task_file().replace(b"TLG00001", stem.encode())
    files = {"TASKDATA.XML": text, f"{stem}.XML": sets.header(), f"{stem}.BIN": sets.log()}
    parsed = read_task_data({name: (lambda d=data: d) for name, data in files.items()}, "set", UTC_FARM)
    assert column(parsed, "field") == ["Mill Field"] * 60


def test_a_decimal_comma() -> None:
    ring = "".join(
        f'<PNT A="2" C="{n}" D="{e}"/>' for n, e in (("51,9", "6,9"), ("51,9", "7,1"), ("52,1", "7,1"))
    )
    more = f'<PFD A="PFD-1" C="Mill Field" D="0"><PLN A="1"><LSG A="1">{ring}</LSG></PLN></PFD>'
    parsed = read(TASKDATA_XML=sets.task_file(more=more))
    assert parsed.fields is not None and parsed.fields["area_ha"][0] == pytest.approx(15_200, rel=0.02)


def square(kind: int, low: float, high: float) -> str:
    corners = ((low, low), (high, low), (high, high), (low, high))
    points = "".join(f'<PNT A="2" C="{52 + n / 100}" D="{7 + e / 100}"/>' for n, e in corners)
    return f'<LSG A="{kind}">{points}</LSG>'


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 0, 2)])
@pytest.mark.parametrize("polygons", [1, 3])
def test_a_piece_of_field_inside_a_hole(order: tuple[int, ...], polygons: int) -> None:
    """A square of 4 x 4, a hole of 2 x 2 in it, a piece of 1 x 1 in the hole: 13 of 16 parts are field."""
    rings = [square(1, 0, 4), square(2, 1, 3), square(1, 1.5, 2.5)]
    rings = [rings[i] for i in order]
    lines = (
        "".join(f'<PLN A="1">{ring}</PLN>' for ring in rings)
        if polygons == 3
        else (f'<PLN A="1">{"".join(rings)}</PLN>')
    )
    whole = f'<PFD A="PFD-2" C="Whole" D="0"><PLN A="1">{square(1, 0, 4)}</PLN></PFD>'
    more = f'<PFD A="PFD-1" C="Mill Field" D="0">{lines}</PFD>{whole}'
    fields = read(TASKDATA_XML=sets.task_file(more=more)).fields
    assert fields is not None
    area_ha = dict(fields.select("field", "area_ha").iter_rows())
    assert area_ha["Mill Field"] / area_ha["Whole"] == pytest.approx(13 / 16, rel=1e-4)


def test_linked_files_of_version_2_in_lower_case() -> None:
    text = (
        b'<ISO11783_TaskData VersionMajor="2" VersionMinor="0"><XFR A="DVC00001" B="1"/><XFR A="PFD00001" B="1"/>'
        b'<XFR A="TSK00001" B="1"/><XFR A="CTR00001" B="1"/></ISO11783_TaskData>'
    )
    files = {
        "taskdata.xml": text,
        "dvc00001.xml": b"<XFC>" + sets.DEVICE.encode() + b"</XFC>",
        "pfd00001.xml": b'<XFC><PFD A="PFD1" C="Mill Field" D="0"/></XFC>',
        "Tsk00001.Xml": b'<XFC><TSK A="TSK1" E="PFD1" G="4"><TIM D="4"/><TLG A="TLG00001" C="1"/></TSK></XFC>',
        "tlg00001.xml": sets.header(),
        "tlg00001.bin": sets.log(),
    }
    parsed = read_task_data({name: (lambda d=data: d) for name, data in files.items()}, "set", UTC_FARM)
    assert column(parsed, "field") == ["Mill Field"] * 60
    assert column(parsed, "machine") == ["Third Combine"] * 60
    assert "CTR00001.XML is linked but missing." in parsed.notes


@pytest.mark.parametrize(
    ("written", "crop"),
    [
        ("Wheat (winter)", "wheat"),
        ("Wheat - Hard Red Spring", "hard_red_spring_wheat"),
        ("CORN ", "corn"),
        ("Triticale 7", "Triticale 7"),
    ],
)
def test_words_of_a_crop_in_any_order(written: str, crop: str) -> None:
    more = f'<PFD A="PFD-1" C="Mill Field" G="CTP-1"/><CTP A="CTP-1" B="{written}"/>'
    assert set(column(read(TASKDATA_XML=sets.task_file(more=more)), "crop")) == {crop}


def test_a_note_on_many_logs_appears_once() -> None:
    names = [f"TLG0000{n}" for n in range(1, 8)]
    tasks = "".join(f'<TSK A="TSK-{n}" G="4"><TLG A="{name}" C="1"/></TSK>' for n, name in enumerate(names))
    logs = {f"{name}_BIN": sets.log() for name in names} | {f"{name}_XML": sets.header() for name in names}
    parsed = read(Farm(), TASKDATA_XML=sets.task_file(tasks=tasks), **logs)
    result = [note for note in parsed.notes if "the time zone of the terminal's clock is not known" in note]
    assert len(result) == 1 and result[0].startswith("TLG00001 and 6 other logs: the time zone of the")


# The log ------------------------------------------------------------------------------------------------


def test_position_status_not_available_in_some_records() -> None:
    data = b"".join(sets.record(s, [(0, 1500)], status=255 if s % 7 == 0 else 1) for s in range(60))
    parsed = read(TLG00001_BIN=data)
    assert len(column(parsed, "time")) == 60 and parsed.set_aside is None


def test_codes_of_position_status_that_the_standard_lacks() -> None:
    data = b"".join(sets.record(s, [(0, 1500)], status=0x41) for s in range(60))
    parsed = read(TLG00001_BIN=data)
    assert len(column(parsed, "time")) == 60 and parsed.set_aside is None
    assert any("codes of position status are not those of the standard" in note for note in parsed.notes)


def test_one_spoilt_status_is_damage_and_no_habit() -> None:
    data = bytearray(sets.log())
    data[31 + 21 * 3 + 14] = 0x41  # the first record holds three values, the others one
    parsed = read(TLG00001_BIN=bytes(data))
    assert len(column(parsed, "time")) == 59
    assert parsed.set_aside is not None and parsed.set_aside["rule"].to_list() == ["damaged_log"]


def test_other_spellings_of_a_header() -> None:
    text = (
        sets.header().replace(b'A=""', b'A=" "').replace(b'"018D"', b'"0x18d"').replace(b"/><", b" />\r\n\t<")
    )
    parsed = read(TLG00001_XML=text)
    assert column(parsed, "speed_m_s") == [1.5] * 60 and parsed.set_aside is None


def test_a_log_that_ends_in_zero_bytes() -> None:
    """A file made longer than what was written, as when power fails: one thing set aside, not 4000."""
    parsed = read(TLG00001_BIN=sets.log() + b"\0" * 65_536)
    assert len(column(parsed, "time")) == 60
    assert parsed.set_aside is not None and parsed.set_aside["rule"].to_list() == ["damaged_log"]
    assert "The log ends in 65536 zero bytes from byte 1270 on" in parsed.set_aside["sentence"][0]
    assert parsed.rows_read == 61


@pytest.mark.parametrize("start", ["", ' A="2026-07-21T10:00:00"'])
def test_time_in_every_record_whatever_the_header_says(start: str) -> None:
    parsed = read(TLG00001_XML=sets.header().replace(b' A=""', start.encode(), 1))
    assert len(column(parsed, "time")) == 60 and parsed.set_aside is None
    assert any("every record holds its time" in note for note in parsed.notes)


def test_a_width_that_may_be_logged_by_time_and_was_by_change() -> None:
    """Devices state by which triggers a value may be logged, often all of them (31)."""
    machine = sets.device(
        (1, "machine", [(397, 31, "speed", ""), (67, 31, "width", ""), (87, 31, "flow", "")])
    )
    rows = [[(0, 1500)] for _ in range(600)]
    rows[3] += [(1, 9000)]
    rows[9] += [(1, 6000)]
    # A flow that is logged when it changes: at uneven moments.
    for at in (5, 9, 20, 24, 29, 90, 93, 100, 400):
        rows[at] += [(2, 8_000_000 + at)]
    parsed = logged(machine, sets.values((397, 1), (67, 1), (87, 1)), rows)
    assert column(parsed, "working_width_m")[599] == 6.0
    assert column(parsed, "grain_flow_kg_s")[399] == pytest.approx(8.0001)


def test_a_flow_that_comes_by_the_second_and_stops_is_not_kept_on() -> None:
    machine = sets.device((1, "machine", [(87, 31, "flow", "")]))
    rows = [[(0, 8_000_000)] if s < 60 else [] for s in range(120)]
    flow = column(logged(machine, sets.values((87, 1)), rows), "grain_flow_kg_s")
    assert flow[62] == 8.0 and flow[63:] == [None] * 57


def test_one_identifier_and_element_listed_twice_are_two_columns() -> None:
    machine = sets.device((1, "machine", [(0xE001, 1, "torque", "")]))
    parsed = logged(machine, sets.values((0xE001, 1), (0xE001, 1)), [[(0, 11), (1, 22)]] * 3)
    assert json.loads(column(parsed, "other")[0]) == {
        "57345/0/torque": "11",
        "57345/0/torque (value 1)": "22",
    }


def test_a_set_value_of_0_until_the_controller_answers_is_no_adjustment() -> None:
    machine = sets.device((1, "machine", [(246, 8, "upper sieve", "")]))
    rows: list[list[tuple[int, int]]] = [[] for _ in range(240)]
    for second, opening_mm in ((0, 0), (4, 14), (120, 16)):
        rows[second] = [(0, opening_mm)]
    parsed = logged(machine, sets.values((246, 1)), rows)
    assert column(parsed, "upper_sieve_opening_mm")[:5] == [0, 0, 0, 0, 14]
    assert parsed.adjustments is not None
    assert parsed.adjustments.select("from_value", "to_value").rows() == [("14", "16")]


# Several machines ---------------------------------------------------------------------------------------

SECOND = (
    sets.DEVICE.replace('"DVC-1"', '"DVC-2"')
    .replace('"DET-', '"DET-1')
    .replace("A00E000000000001", "A00E000000000002")
)
TWO_LOGS = '<TSK A="TSK-1" E="PFD-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002" C="1"/></TSK>'


def test_two_combines_side_by_side_in_one_task_stay_two() -> None:
    other = b"".join(sets.record(s, [(0, 1600)], place=(52.0, 7.0002)) for s in range(60))
    parsed = read(
        TASKDATA_XML=sets.task_file(
            devices=sets.DEVICE + SECOND.replace("Third Combine", "Fourth Combine"), tasks=TWO_LOGS
        ),
        TLG00002_XML=sets.header(sets.VALUES.replace('"DET-', '"DET-1')),
        TLG00002_BIN=other,
    )
    assert column(parsed, "machine") == ["Third Combine"] * 60 + ["Fourth Combine"] * 60
    assert column(parsed, "speed_m_s") == [1.5] * 60 + [1.6] * 60


def test_a_slow_log_joined_to_a_fast_one_is_held_between_its_records() -> None:
    machine = sets.device((1, "machine", [(397, 1, "speed", ""), (99, 1, "moisture", "")]))
    parsed = read(
        TASKDATA_XML=sets.task_file(devices=machine, tasks=TWO_LOGS),
        TLG00001_XML=sets.header(sets.values((397, 1))),
        TLG00001_BIN=b"".join(sets.record(s, [(0, 1500)]) for s in range(60)),
        TLG00002_XML=sets.header(sets.values((99, 1))),
        TLG00002_BIN=b"".join(sets.record(s, [(0, 140_000 + 1000 * s)]) for s in range(0, 40, 5)),
    )
    assert column(parsed, "speed_m_s") == [1.5] * 60
    # The last slow record is that of second 35; 15 s later it is no longer known.
    moisture = column(parsed, "grain_moisture_pct")
    assert moisture[:11] == [14.0] * 5 + [14.5] * 5 + [15.0]
    assert moisture[50] == 17.5 and moisture[51:] == [None] * 9
    assert parsed.rows_read == 60


def test_logs_side_by_side_that_hold_a_moment_twice() -> None:
    """Two readings of one second that differ: the first of one log belongs to the first of the other."""
    machine = sets.device((1, "machine", [(397, 1, "speed", ""), (99, 1, "moisture", "")]))
    seconds = [*range(30), 29, *range(30, 60)]
    speed = [sets.record(s, [(0, 1500 + n)]) for n, s in enumerate(seconds)]
    moisture = [sets.record(s, [(0, 140_000 + 100 * n)]) for n, s in enumerate(seconds)]
    parsed = read(
        TASKDATA_XML=sets.task_file(devices=machine, tasks=TWO_LOGS),
        TLG00001_XML=sets.header(sets.values((397, 1))),
        TLG00001_BIN=b"".join(speed),
        TLG00002_XML=sets.header(sets.values((99, 1))),
        TLG00002_BIN=b"".join(moisture),
    )
    assert column(parsed, "speed_m_s") == [1.5 + n / 1000 for n in range(61)]
    assert column(parsed, "grain_moisture_pct") == pytest.approx([14 + n / 100 for n in range(61)])


def test_two_machines_of_one_model_go_with_their_serial_numbers() -> None:
    second = SECOND.replace("4711", "4712")
    parsed = read(
        TASKDATA_XML=sets.task_file(devices=sets.DEVICE + second, tasks=TWO_LOGS),
        TLG00002_XML=sets.header(sets.VALUES.replace('"DET-', '"DET-1')),
        TLG00002_BIN=b"".join(sets.record(s, [(0, 1600)], place=(52.0, 7.0002)) for s in range(60)),
    )
    assert set(column(parsed, "machine")) == {"Third Combine 4711", "Third Combine 4712"}
    farm = parse_farm('[machines.East]\naliases = ["4711"]\n[machines.West]\naliases = ["4712"]\n')
    named = read(
        farm,
        TASKDATA_XML=sets.task_file(devices=sets.DEVICE + second, tasks=TWO_LOGS),
        TLG00002_XML=sets.header(sets.VALUES.replace('"DET-', '"DET-1')),
        TLG00002_BIN=b"".join(sets.record(s, [(0, 1600)], place=(52.0, 7.0002)) for s in range(60)),
    )
    assert set(column(named, "machine")) == {"East", "West"}
    assert any("are called Third Combine; one of them is named" in result for result in parsed.attention)
    assert named.attention == ()


def test_a_machine_described_again_is_the_same_machine() -> None:
    again = SECOND.replace("A00E000000000002", "A00E000000000001")
    parsed = read(TASKDATA_XML=sets.task_file(devices=sets.DEVICE + again))
    assert set(column(parsed, "machine")) == {"Third Combine"}


def test_values_of_a_tractor_in_the_log_do_not_stand_for_the_machine() -> None:
    """The machine's own speed and state count, whichever comes first."""
    tractor = sets.device((1, "tractor", [(397, 1, "speed", ""), (141, 8, "state", "")]))
    own = sets.device(
        (
            1,
            "machine",
            [(397, 1, "speed", ""), (141, 8, "state", ""), (87, 1, "flow", ""), (99, 1, "moisture", "")],
        )
    )
    devices = tractor.replace("Third Combine", "Tractor").replace("A00E000000000001", "A00E000000000009")
    devices += own.replace('"DVC-1"', '"DVC-2"').replace('"DET-1"', '"DET-11"')
    listed = sets.values((397, 1), (141, 1), (397, 11), (141, 11), (87, 11), (99, 11))
    rows = [[(0, 1400), (1, 1), (2, 1500), (3, 0), (4, 8_000_000), (5, 140_000)]] * 5
    parsed = logged(devices, listed, rows)
    assert column(parsed, "machine") == ["Third Combine"] * 5
    assert (column(parsed, "speed_m_s")[0], column(parsed, "working")[0]) == (1.5, 0)


def test_two_fields_of_one_name() -> None:
    more = '<PFD A="PFD-1" B="12" C="Mill Field" D="0"/><PFD A="PFD-2" B="13" C="Mill Field" D="0"/>'
    assert set(column(read(TASKDATA_XML=sets.task_file(more=more)), "field")) == {"Mill Field 12"}


# What a device logs in place of a flow ------------------------------------------------------------------

FIXED = {121: 750_000, 122: 45_000, 184: 140_000}  # 750 g/l, 45 g per 1000 kernels, 14 % reference moisture


@pytest.mark.parametrize(
    ("listed", "row", "channel", "expected"),
    [
        # Volume flow x density: 10 l/s x 0.75 kg/l.
        ([86], [10_000], "grain_flow_kg_s", 7.5),
        # Dry matter stays: 8 kg/s at 14 % are 8 x 0.86 / 0.80 at 20 %.
        ([182, 99], [8_000_000, 200_000], "grain_flow_kg_s", 8.6),
        # 0.8 kg/m2 x 9 m x 1.5 m/s x 0.86 / 0.80.
        ([181, 99, 67, 397], [800_000, 200_000, 9000, 1500], "grain_flow_kg_s", 11.61),
        # 1 l/m2 x 0.75 kg/l x 13.5 m2/s.
        ([83, 67, 397], [1000, 9000, 1500], "grain_flow_kg_s", 10.125),
        # 5 g/m2 x 13.5 m2/s.
        ([93, 67, 397], [5000, 9000, 1500], "separation_loss_kg_s", 0.0675),
        # 100 kernels/m2 x 13.5 m2/s x 45 mg.
        ([94, 67, 397], [100_000, 9000, 1500], "separation_loss_kg_s", 0.06075),
        # 1000 kernels/s x 45 mg.
        ([97], [1_000_000], "separation_loss_kg_s", 0.045),
        # 10 ml/s x 0.75 g/ml.
        ([95], [10], "separation_loss_kg_s", 0.0075),
        # 1 % of the crop lost, 9.9 kg/s kept: 0.1 kg/s.
        ([98, 87], [10_000, 9_900_000], "separation_loss_kg_s", 0.1),
    ],
)
def test_flows_out_of_other_forms(listed: list[int], row: list[int], channel: str, expected: float) -> None:
    machine = sets.device((1, "rotor", [(number, 1, "", "") for number in listed]))
    references = "".join(f'<DOR A="{300 + i}"/>' for i in range(3))
    fixed = "".join(f'<DPT A="{300 + i}" B="{n:04X}" C="{raw}"/>' for i, (n, raw) in enumerate(FIXED.items()))
    machine = machine.replace("</DET>", references + "</DET>").replace("</DVC>", fixed + "</DVC>")
    parsed = logged(machine, sets.values(*((n, 1) for n in listed)), [list(enumerate(row))] * 5)
    assert column(parsed, channel)[2] == pytest.approx(expected)
    assert any(f"{'grain flow' if 'flow' in channel else channel} was computed" in n for n in parsed.notes)


def test_kernels_without_their_mass_are_a_signal() -> None:
    machine = sets.device((1, "machine", []), (2, "sieve", [(97, 1, "lost kernels", "")]))
    parsed = logged(machine, sets.values((97, 2)), [[(0, 12_000)]] * 5)
    assert column(parsed, "cleaning_loss_signal") == [12.0] * 5


def test_a_column_that_had_a_part_in_a_channel_is_understood() -> None:
    """Yield by area, the widths of two headers and the states of sections: used, and kept as logged too."""
    machine = sets.device(
        (1, "machine", [(397, 1, "speed", ""), (84, 1, "yield", "")]),
        (2, "header", [(67, 8, "width", ""), (161, 8, "sections", "")]),
        (2, "other header", [(67, 8, "width", "")]),
    )
    listed = sets.values((397, 1), (84, 1), (67, 2), (161, 2), (67, 3))
    parsed = logged(machine, listed, [[(0, 1500), (1, 800_000), (2, 9000), (3, -11), (4, 0)]] * 3)
    assert column(parsed, "grain_flow_kg_s") == [pytest.approx(10.8)] * 3
    assert column(parsed, "working") == [1, 1, 1]
    assert parsed.unmatched_columns == ()
    assert {"84/0/yield [mg/m2]", "67/1/width [m]", "67/2/width [m]", "161/1/sections"} == set(
        json.loads(column(parsed, "other")[0])
    )


def test_flow_by_the_growth_of_a_total() -> None:
    """A counter that stands at 100 kg and grows by 8 kg a second, and starts again at 0."""
    machine = sets.device((1, "machine", [(90, 16, "crop", "")]))
    counts = [100, 108, 116, 124, 0, 8, 16]
    parsed = logged(machine, sets.values((90, 1)), [[(0, count)] for count in counts])
    assert column(parsed, "grain_flow_kg_s") == [None, 8.0, 8.0, 8.0, None, 8.0, 8.0]


def test_flow_by_a_counter_that_steps_every_few_seconds_and_rests() -> None:
    """40 kg every fifth second are 8 kg/s; then 20 s of rest, and on at 8 kg/s."""
    counts = [40 * (s // 5) for s in range(16)] + [120] * 20 + [128, 136, 144]
    machine = sets.device((1, "machine", [(90, 16, "crop", "")]))
    flow = column(logged(machine, sets.values((90, 1)), [[(0, c)] for c in counts]), "grain_flow_kg_s")
    assert flow[0] is None and flow[1:16] == [8.0] * 15
    assert flow[16:36] == [0.0] * 20 and flow[36:] == [8.0, 8.0, 8.0]


def test_fixed_values_of_the_device_stand_in_the_first_reading() -> None:
    """Where the parts lie (identifiers 134 and 135), for programs to read; positions are as logged."""
    described = sets.DEVICE.replace('<DOR A="12"/>', '<DOR A="12"/><DOR A="30"/><DOR A="31"/>').replace(
        "</DVC>", '<DPT A="30" B="0086" C="3800" D="ahead"/><DPT A="31" B="0087" C="-250"/></DVC>'
    )
    other = column(read(TASKDATA_XML=sets.task_file(devices=described)), "other")
    assert json.loads(other[0]) == {"134/1/ahead [mm]": "3800", "135/1/offset to the right [mm]": "-250"}
    assert other[1:] == [None] * 59


# Clocks -------------------------------------------------------------------------------------------------

SATELLITES = '<PTN A="" B="" D="" H="" I=""/>'


def with_satellites(begin: int, ahead_s: int, count: int = 60) -> bytes:
    """Records from ``begin`` seconds after ten on, the terminal's clock ``ahead_s`` ahead of the satellites."""
    parts = []
    for second in range(begin, begin + count):
        record = sets.record(second, [(0, 1500)])
        utc_ms = sets.START_MS + 1000 * (second - ahead_s)
        parts.append(record[:15] + struct.pack("<IH", utc_ms, sets.DAY) + record[15:])
    return b"".join(parts)


def hours(parsed: Parsed) -> list[float]:
    assert parsed.readings is not None
    times = parsed.readings["time"]
    return [m.hour + m.minute / 60 for m in times.gather_every(60)]


@pytest.mark.parametrize(("ahead_h", "hour"), [(2, 8.0), (-7, 17.0)])
def test_satellite_time_without_a_date(ahead_h: int, hour: float) -> None:
    whole, size = with_satellites(0, 3600 * ahead_h), 15 + 6 + 6
    data = b"".join(whole[i : i + 19] + whole[i + 21 : i + size] for i in range(0, len(whole), size))
    parsed = read(Farm(), TLG00001_XML=sets.header(position='<PTN A="" B="" D="" H=""/>'), TLG00001_BIN=data)
    assert hours(parsed) == [hour]


def test_satellite_time_that_may_be_a_copy_of_the_clock_is_asked_about() -> None:
    """Met in a public log from a country at UTC+2: satellite time is the terminal's local clock."""
    east = round(25.0 * 1e7).to_bytes(4, "little")
    data = with_satellites(0, 0).replace(round(7.0 * 1e7).to_bytes(4, "little"), east)
    result = "satellite time is the terminal's clock in every record, so it may be a copy of it"
    for farm, asked in ((Farm(), True), (Farm(time_zone="UTC"), False)):
        parsed = read(farm, TLG00001_XML=sets.header(position=SATELLITES), TLG00001_BIN=data)
        assert any(result in sentence for sentence in parsed.attention) == asked
        assert hours(parsed) == [10.0]


def test_a_log_without_satellites_goes_by_another_of_the_machine() -> None:
    parsed = read(
        Farm(),
        TASKDATA_XML=sets.task_file(tasks=TWO_LOGS),
        TLG00002_XML=sets.header(position=SATELLITES),
        TLG00002_BIN=with_satellites(7200, 7200),
    )
    assert hours(parsed) == [8.0, 10.0]
    assert any("by satellite time in TLG00002" in note for note in parsed.notes)


SECOND_TASK = (
    '<TSK A="TSK-1" G="4"><TLG A="TLG00001" C="1"/></TSK><TSK A="TSK-2" G="4"><TLG A="TLG00002" C="1"/></TSK>'
)


def test_a_terminal_has_one_clock_for_all_its_machines() -> None:
    """Satellite time in the log of the second machine, on another day, tells the zone of the first one's too."""
    two = {
        "TASKDATA_XML": sets.task_file(
            devices=sets.DEVICE + SECOND.replace("Third Combine", "Fourth Combine"), tasks=SECOND_TASK
        ),
        "TLG00002_XML": sets.header(sets.VALUES.replace('"DET-', '"DET-1'), position=SATELLITES),
        "TLG00002_BIN": with_satellites(7200, 7200),
    }
    parsed = read(Farm(), **two)
    assert column(parsed, "machine") == ["Third Combine"] * 60 + ["Fourth Combine"] * 60
    assert hours(parsed) == [8.0, 10.0]
    two |= {"TLG00002_XML": sets.header(sets.VALUES.replace('"DET-', '"DET-1')), "TLG00002_BIN": sets.log()}
    stated = read(parse_farm('[machines."Fourth Combine"]\ntime_zone = "Europe/Berlin"'), **two)
    assert hours(stated) == [8.0, 8.0]
    assert any("as farm.toml states for Fourth Combine" in note for note in stated.notes)


def test_a_later_log_within_the_times_of_a_task_is_in_the_zone_of_the_first() -> None:
    """Written in UTC from 8 to 14 o'clock; logs at 10 and 13 o'clock of a clock two hours ahead."""
    later = b"".join(sets.record(3 * 3600 + s, [(0, 1500)]) for s in range(60))
    tasks = TWO_LOGS.replace("<TLG", '<TIM A="2026-07-21T08:00:00Z" B="2026-07-21T14:00:00Z" D="4"/><TLG', 1)
    parsed = read(
        Farm(), TASKDATA_XML=sets.task_file(tasks=tasks), TLG00002_XML=sets.header(), TLG00002_BIN=later
    )
    assert hours(parsed) == [8.0, 11.0]


@pytest.mark.parametrize("begun", ["2026-07-21T09:40:00+02:00", "2026-07-21T10:00:00.250+02:00"])
def test_a_zone_that_is_written_is_that_of_the_clock(begun: str) -> None:
    tasks = f'<TSK A="TSK-1" G="4"><TIM A="{begun}" B="2026-07-21T11:00:00+02:00" D="4"/><TLG A="TLG00001"/></TSK>'
    assert hours(read(Farm(), TASKDATA_XML=sets.task_file(tasks=tasks))) == [8.0]


def test_a_zone_that_contradicts_the_satellites_is_asked_about() -> None:
    parsed = read(
        Farm(time_zone="Europe/Berlin"),
        TLG00001_XML=sets.header(position=SATELLITES),
        TLG00001_BIN=with_satellites(0, 3600),
    )
    result = "time_zone in farm.toml puts the clock at UTC+02:00, satellite time in the log at UTC+01:00"
    assert any(result in sentence for sentence in parsed.attention)


def test_a_clock_that_is_minutes_off_is_asked_about() -> None:
    parsed = read(
        Farm(),
        TLG00001_XML=sets.header(position=SATELLITES),
        TLG00001_BIN=with_satellites(0, 7200 + 141),
    )
    assert any("the clock is 2 min ahead of the satellites" in sentence for sentence in parsed.attention)


# Totals, people, archives -------------------------------------------------------------------------------


def test_totals_far_from_the_log_ask_for_a_look() -> None:
    machine = sets.device((1, "machine", [(87, 1, "flow", ""), (141, 8, "state", "")]))
    tasks = (
        '<TSK A="TSK-1" G="4"><TIM A="2026-07-21T10:00:00" D="4"><DLV A="005A" B="400" C="DET-1"/></TIM>'
        '<TLG A="TLG00001" C="1"/></TSK>'
    )
    parsed = logged(machine, sets.values((87, 1), (141, 1)), [[(0, 8_000_000), (1, 1)]] * 101, tasks=tasks)
    assert any("total 400 kg, by the log 800 kg (+100.0%)" in sentence for sentence in parsed.attention)


def test_totals_that_restart_with_each_time_of_the_task() -> None:
    machine = sets.device((1, "machine", [(87, 1, "flow", ""), (141, 8, "state", "")]))
    times = "".join(
        f'<TIM A="2026-07-21T10:0{n}:00" D="4"><DLV A="005A" B="{mass}" C="DET-1"/></TIM>'
        for n, mass in enumerate((300, 495))
    )
    tasks = f'<TSK A="TSK-1" G="4">{times}<TLG A="TLG00001" C="1"/></TSK>'
    parsed = logged(machine, sets.values((87, 1), (141, 1)), [[(0, 8_000_000), (1, 1)]] * 101, tasks=tasks)
    result = "totals, summed over the times of the task, 795 kg, by the log 800 kg (they agree)"
    assert any(result in note for note in parsed.notes)
    assert parsed.attention == ()


PEOPLE = (
    '<CTR A="CTR-1" B="Secretname" C="Ada" D="Hidden Lane 1"/><FRM A="FRM-1" B="Hidden Hill" I="CTR-1"/>'
    '<WKR A="WKR-1" B="Confidential" C="Bo"/><PFD A="PFD-1" C="Mill Field" D="0" E="CTR-1" F="FRM-1"/>'
)


def test_people_enter_tables_only_when_farm_toml_asks() -> None:
    tasks = '<TSK A="TSK-1" E="PFD-1" F="WKR-1" G="4"><WAN A="WKR-1"/><TLG A="TLG00001" C="1"/></TSK>'
    text = sets.task_file(more=PEOPLE, tasks=tasks)
    silent = read(TASKDATA_XML=text)
    for word in ("Secretname", "Hidden", "Confidential"):
        assert word not in repr((silent.notes, silent.attention, silent.set_aside))
        assert silent.readings is not None and word not in silent.readings.write_csv()
    asked = read(parse_farm("[task_data]\npeople = true\n"), TASKDATA_XML=text)
    people = {"customer": "Ada Secretname", "farm": "Hidden Hill", "workers": "Bo Confidential"}
    assert json.loads(column(asked, "other")[0]) == people
    assert "Hidden Lane" not in column(asked, "other")[0]
    assert "Secretname" not in repr((asked.notes, asked.attention))


def archive(path: Path, entries: list[tuple[str, bytes]]) -> Path:
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        warnings.simplefilter("ignore", UserWarning)  # zipfile warns of a name that is there twice
        for name, content in entries:
            packed.writestr(name, content)
    return path


def sound(*more: tuple[str, bytes]) -> list[tuple[str, bytes]]:
    return [
        ("TASKDATA/TASKDATA.XML", sets.task_file(tasks=TWO_LOGS)),
        *((f"TASKDATA/TLG0000{n}.XML", sets.header()) for n in (1, 2)),
        ("TASKDATA/TLG00001.BIN", sets.log()),
        ("TASKDATA/TLG00002.BIN", np.random.default_rng(1).bytes(2000)),
        *more,
    ]


def test_a_damaged_member_leaves_the_others(tmp_path: Path) -> None:
    path = archive(tmp_path / "card.zip", sound())
    data = bytearray(path.read_bytes())
    at = data.index(np.random.default_rng(1).bytes(2000)[100:120])
    data[at : at + 4] = b"\0\0\0\0"
    path.write_bytes(bytes(data))
    (file,) = find_files(tmp_path)
    parsed = read_file(file, UTC_FARM, [])
    assert parsed.readings is not None and len(parsed.readings) == 60
    assert parsed.set_aside is not None
    assert parsed.set_aside["rule"].to_list() == ["log_missing"]
    assert "TLG00002.BIN is named by task TSK-1 but can't be read" in parsed.set_aside["sentence"][0]


def test_two_logs_of_one_name_in_an_archive(tmp_path: Path) -> None:
    archive(tmp_path / "card.zip", sound()[:4] + [("TASKDATA/TLG00001.BIN", sets.log(5))])
    (file,) = find_files(tmp_path)
    parsed = read_file(file, UTC_FARM, [])
    assert parsed.readings is not None and len(parsed.readings) == 60
    assert parsed.set_aside is not None
    assert sorted(parsed.set_aside["rule"]) == ["log_missing", "log_of_same_name"]
    assert sets.log(5).hex() in "".join(parsed.set_aside["content"])


@pytest.mark.parametrize("packed", [False, True])
def test_time_logs_that_have_lost_their_task_file(tmp_path: Path, packed: bool) -> None:
    entries = [("card/" + name.split("/")[1], content) for name, content in sound()[1:]]
    if packed:
        archive(tmp_path / "card.zip", entries)
    for name, content in [] if packed else entries:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(content)
    (file,) = find_files(tmp_path)
    with pytest.raises(UnreadableFile, match=r"There is no TASKDATA.XML in it; export the whole folder"):
        read_file(file, UTC_FARM, [])
