"""What the numbers of a log mean: scales, element tree, work state, widths, set values, names, totals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.ingest.task_data.files.dictionary import identifiers
from chaffinch.pipelines.ingest.task_data.files.task_objects import Presentation
from chaffinch.pipelines.ingest.task_data.meaning.work_state import condensed, on_off
from chaffinch.pipelines.ingest.task_data.records.scaling import choose, plain_numbers
from chaffinch.pipelines.parsed import Parsed

FARM = Farm(time_zone="UTC")


device, values = sets.device, sets.values


def read(
    devices: str, header_values: str, rows: list[list[tuple[int, int]]], farm: Farm = FARM, **more: str
) -> Parsed:
    data = b"".join(sets.record(second, row) for second, row in enumerate(rows))
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=devices, **more),
        TLG00001_XML=sets.header(header_values),
        TLG00001_BIN=data,
    )
    return read_task_data(files, "set", farm)


def column(parsed: Parsed, name: str) -> list:
    assert parsed.readings is not None
    return parsed.readings[name].to_list()


# Scales -------------------------------------------------------------------------------------------------

RAW = np.array([100.0, 200.0, 300.0])


@pytest.mark.parametrize(
    ("number", "shown", "target_unit", "raw", "expected"),
    [
        # Readings of one integer that agree, seen in public device descriptions.
        (397, Presentation(0, 0.0036, "km/h"), "m/s", 1500, 1.5),
        (87, Presentation(0, 0.0000036, "t/h"), "kg/s", 8_000_000, 8.0),
        (99, Presentation(0, 0.0001, "%"), "%", 140_000, 14.0),
        (149, Presentation(0, 0.0036, "l/h"), "l/h", 10_000, 36.0),
        (67, Presentation(0, 0.001, "m"), "m", 9000, 9.0),
        # The unit in another language, the scale with float noise: the exact factor is used.
        (99, Presentation(0, 0.0001000000015, "Prozent"), "%", 140_000, 14.0),
        # A blank unit with scale 1 is a placeholder: the dictionary counts.
        (145, Presentation(0, 1.0, " "), "deg", 4500, 4.5),
        # No presentation: the dictionary. 255 is in turns a second, 0.001 each: 18,000 is 1080 r/min.
        (255, None, "rpm", 18_000, 1080.0),
        # They contradict each other and only the device's reading is plausible (all met in real files).
        (484, Presentation(0, 0.000016667, "1/min"), None, 100_000_000, 1666.7),
        (502, Presentation(0, 1.0, "%"), "%", 80, 80.0),
        (99, Presentation(0, 0.1, "%"), "%", 145, 14.5),
        # Offset before scale: -273150 with 0.001 turns mK into degrees Celsius; both say the same.
        (192, Presentation(-273_150, 0.001, "°C"), None, 293_150, 293_150.0),
    ],
)
def test_one_integer_one_value(
    number: int, shown: Presentation | None, target_unit: str | None, raw: int, expected: float
) -> None:
    scale = choose(identifiers()[number], shown, target_unit, np.array([float(raw)]))
    assert scale is not None
    assert scale.apply(np.array([float(raw)]))[0] == pytest.approx(expected, rel=1e-12)


def test_the_choice_between_contradicting_readings_is_on_record() -> None:
    scale = choose(identifiers()[502], Presentation(0, 1.0, "%"), "%", np.array([80.0]))
    assert scale is not None and scale.source == "device"
    assert scale.note == (
        "Identifier 502 (engine torque share): the dictionary's resolution gives implausible values "
        "(0.08 %), so the other reading is used (device)."
    )


def test_neither_reading_plausible_gives_none() -> None:
    # A fan "set" to a serial number, met in a real file: 741,707 would be 44,502 r/min.
    assert choose(identifiers()[254], None, "rpm", np.array([741_707.0])) is None
    # Both readings within the band, yet they contradict each other: undecided.
    assert choose(identifiers()[67], Presentation(0, 0.002, "m"), "m", np.array([6000.0])) is None


def test_values_that_mean_missing() -> None:
    raw = np.array([5, 2**31 - 1, -(2**31), -(2**31) + 1, -1], np.int32)
    assert np.isnan(plain_numbers(raw, None)).tolist() == [False, True, True, True, False]
    assert np.isnan(plain_numbers(raw, identifiers()[141])).tolist() == [False, True, True, True, True]
    # Sixteen states of two bits fill an unsigned number.
    assert plain_numbers(np.array([-1], np.int32), identifiers()[161]).tolist() == [2.0**32 - 1]


# States and widths --------------------------------------------------------------------------------------


def test_two_bit_states() -> None:
    states = on_off(np.array([0, 1, 2, 3, 5, np.nan]))
    assert np.array_equal(states, [0, 1, np.nan, np.nan, 1, np.nan], equal_nan=True)


def test_condensed_states_leftmost_section_in_the_lowest_bits() -> None:
    # Section 1 on, 2 off, 16 on, the others absent: bits 01, 00, 11 ..., 01.
    raw = 0b01 | (0b00 << 2) | sum(0b11 << (2 * k) for k in range(2, 15)) | (0b01 << 30)
    states = condensed(np.array([float(raw)]))[0]
    assert states[[0, 1, 15]].tolist() == [1, 0, 1]
    assert np.isnan(states[2:15]).all()


def test_a_parent_that_is_off_switches_its_children_off() -> None:
    machine = device((1, "machine", [(141, 8, "state", "")]), (2, "header", [(141, 8, "state", "")]))
    rows = [[(0, 1), (1, 1)], [(0, 0)], [(0, 1)], [(1, 0)]]
    parsed = read(machine, values((141, 1), (141, 2)), rows)
    # The device speaks for the machine; the header's own state is kept in `other`.
    assert column(parsed, "working") == [1, 0, 1, 1]
    assert json.loads(column(parsed, "other")[3]) == {"141/1/state": "0"}


def test_the_state_of_a_part_does_not_stand_for_the_machine() -> None:
    machine = device(
        (1, "machine", []),
        (2, "chopper", [(141, 8, "state", "")]),
        (2, "header", [(141, 8, "state", ""), (67, 8, "width", "")]),
    )
    rows = [[(0, 0), (1, 1), (2, 9000)], [(0, 0)], [(1, 0)]]
    parsed = read(machine, values((141, 2), (141, 3), (67, 3)), rows)
    assert column(parsed, "working") == [1, 1, 0]


def test_header_low_and_turning_where_no_state_is_logged() -> None:
    machine = device((1, "machine", [(237, 8, "low", ""), (238, 8, "turning", "")]))
    rows = [[(0, 1), (1, 0)], [(1, 1)], [(0, 0)], [(0, 2)]]
    parsed = read(machine, values((237, 1), (238, 1)), rows)
    assert column(parsed, "working") == [0, 1, 0, 1]


def test_sections_add_up_and_keep_their_own_widths() -> None:
    machine = device(
        (1, "machine", []),
        (4, "left", [(67, 8, "width", ""), (141, 8, "state", "")]),
        (4, "right", [(67, 8, "width", ""), (141, 8, "state", "")]),
    )
    rows = [[(0, 4000), (1, 5000), (2, 1), (3, 1)], [(2, 0)], [(3, 0)]]
    parsed = read(machine, values((67, 2), (67, 3), (141, 2), (141, 3)), rows)
    assert column(parsed, "working_width_m") == [9.0, 5.0, 0.0]
    assert column(parsed, "working") == [1, 1, 0]
    first = json.loads(column(parsed, "other")[0])
    assert first["67/1/width [m]"] == "4"
    assert first["67/2/width [m]"] == "5"


def test_width_of_the_description_times_the_sections_in_work() -> None:
    machine = device((1, "machine", [(161, 8, "sections", "")])).replace(
        "</DVC>", '<DPT A="300" B="0046" C="8000"/></DVC>'
    )
    machine = machine.replace('<DOR A="100"/>', '<DOR A="100"/><DOR A="300"/>')
    four_on = sum(0b01 << (2 * k) for k in range(4)) | sum(0b11 << (2 * k) for k in range(4, 16))
    two_on = (four_on & ~0b1111) | 0
    rows = [[(0, four_on - 2**32)], [(0, two_on - 2**32)]]
    parsed = read(machine, values((161, 1)), rows)
    assert column(parsed, "working_width_m") == [8.0, 4.0]
    assert column(parsed, "working") == [1, 1]


def test_two_headers_do_not_overwrite_one_another() -> None:
    machine = device(
        (1, "machine", []),
        (2, "grain header", [(254, 8, "fan", "")]),
        (2, "corn header", [(254, 8, "fan", "")]),
    )
    rows = [[(0, 18_000), (1, 15_000)]] + [[(0, 18_000)]] * 3
    parsed = read(machine, values((254, 2), (254, 3)), rows)
    assert column(parsed, "fan_speed_rpm") == [1080.0] * 4
    assert json.loads(column(parsed, "other")[0]) == {"254/2/fan [rpm]": "900"}
    assert any("fan_speed_rpm is 254/1/fan; 254/2/fan is kept in other" in note for note in parsed.notes)


def test_bus_values_under_one_identifier_stay_apart() -> None:
    listed = "".join(
        f'<DLV A="DFFE" B="" C="DET-1" D="61444" E="{first}" F="{first + 7}"/>' for first in (0, 8, 16)
    )
    parsed = read(device((1, "machine", [])), listed, [[(0, 1), (1, 2), (2, 3)]])
    assert json.loads(column(parsed, "other")[0]) == {
        "57342/0/group 61444 bits 0-7": "1",
        "57342/0/group 61444 bits 8-15": "2",
        "57342/0/group 61444 bits 16-23": "3",
    }


# Kept until changed -------------------------------------------------------------------------------------


def test_kept_until_changed_but_never_before_the_first() -> None:
    machine = device((1, "machine", [(254, 8, "fan", ""), (99, 8, "moisture", "")]))
    rows = [[], [(0, 18_000)], [], [(1, 140_000)], [], [(0, 15_000)]]
    parsed = read(machine, values((254, 1), (99, 1)), rows)
    assert column(parsed, "fan_speed_rpm") == [None, 1080, 1080, 1080, 1080, 900]
    assert column(parsed, "grain_moisture_pct") == [None, None, None, 14.0, 14.0, 14.0]


def test_a_value_logged_by_time_goes_stale() -> None:
    machine = device((1, "machine", [(99, 1, "moisture", "")]))
    rows = [[(0, 140_000)]] * 5 + [[]] * 5 + [[(0, 142_000)]]
    parsed = read(machine, values((99, 1)), rows)
    # Logged each second, so it holds for three seconds and no longer.
    assert column(parsed, "grain_moisture_pct") == [14.0] * 8 + [None] * 2 + [14.2]


def test_a_following_log_begins_with_what_the_last_one_set() -> None:
    machine = device((1, "machine", [(254, 8, "fan", ""), (397, 1, "speed", "")]))
    tasks = '<TSK A="TSK-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002" C="1"/><TLG A="TLG00003"/></TSK>'
    head = sets.header(values((254, 1), (397, 1)))
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=machine, tasks=tasks),
        TLG00001_XML=head,
        TLG00001_BIN=sets.record(0, [(0, 18_000), (1, 1500)]),
        TLG00002_XML=head,
        TLG00002_BIN=sets.record(300, [(1, 1500)]),
        TLG00003_XML=head,
        TLG00003_BIN=sets.record(3000, [(1, 1500)]),
    )
    parsed = read_task_data(files, "set", FARM)
    assert column(parsed, "fan_speed_rpm") == [1080, 1080, None]


def test_a_burst_of_records_is_one_reading() -> None:
    data = b"".join(
        [
            sets.record(0, [(0, 1500)]),
            sets.record(0, [(1, 1)]),
            sets.record(0, [(2, 9000)]),
            sets.record(1, [(0, 1500)]),
            sets.record(2, [(0, 1500)]),
            sets.record(2, [(0, 1600)]),
        ]
    )
    parsed = read_task_data(sets.members(TLG00001_BIN=data), "set", FARM)
    # The last two hold one value twice: they stay apart, for joining them would lose one.
    assert column(parsed, "row") == [1, 4, 5, 6]
    assert column(parsed, "speed_m_s") == [1.5, 1.5, 1.5, 1.6]
    assert column(parsed, "working") == [1, 1, 1, 1]
    assert parsed.rows_read == 4
    assert "TLG00001: 2 of 6 records repeat moment and place of the one before; joined." in parsed.notes


def test_logs_that_run_side_by_side_are_joined() -> None:
    machine = device((1, "machine", [(397, 1, "speed", ""), (99, 1, "moisture", "")]))
    tasks = '<TSK A="TSK-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002" C="1"/></TSK>'
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=machine, tasks=tasks),
        TLG00001_XML=sets.header(values((397, 1))),
        TLG00001_BIN=b"".join(sets.record(second, [(0, 1500)]) for second in range(20)),
        TLG00002_XML=sets.header(values((99, 1))),
        TLG00002_BIN=b"".join(sets.record(second, [(0, 140_000)]) for second in range(20)),
    )
    parsed = read_task_data(files, "set", FARM)
    assert parsed.rows_read == 20
    assert column(parsed, "grain_moisture_pct") == [14.0] * 20
    assert any("were logged at the same time" in note for note in parsed.notes)


# Channels and settings ----------------------------------------------------------------------------------


def test_a_set_value_that_changes_and_stays_is_an_adjustment() -> None:
    machine = device((1, "machine", [(254, 8, "fan", ""), (250, 8, "concave", ""), (397, 1, "speed", "")]))
    rows: list[list[tuple[int, int]]] = [[(2, 1500)] for _ in range(180)]
    rows[0] += [(0, 18_000), (1, 20)]
    rows[60] += [(0, 18_333)]
    rows[120] += [(1, 16)]
    parsed = read(machine, values((254, 1), (250, 1), (397, 1)), rows)
    assert parsed.adjustments is not None
    found = parsed.adjustments.select("row", "setting", "from_value", "to_value", "unit", "origin").rows()
    assert found == [
        (61, "fan_speed", "1080", "1100", "rpm", "task data"),
        (121, "concave_clearance", "20", "16", "mm", "task data"),
    ]


def test_the_set_value_goes_before_the_measured_one() -> None:
    machine = device((1, "machine", [(255, 1, "fan is", ""), (254, 8, "fan set", "")]))
    parsed = read(machine, values((255, 1), (254, 1)), [[(0, 17_990), (1, 18_000)]])
    assert column(parsed, "fan_speed_rpm") == [1080.0]
    assert json.loads(column(parsed, "other")[0]) == {"255/0/fan is [rpm]": "1079.4"}


@pytest.mark.parametrize(
    ("element", "channel"),
    [("rotor", "separation_loss_kg_s"), ("sieve box", "cleaning_loss_kg_s"), ("machine part", None)],
)
def test_loss_goes_where_its_element_says(element: str, channel: str | None) -> None:
    """The public dictionary knows one undivided loss; the element says which."""
    machine = device((1, "machine", []), (2, element, [(96, 1, "loss", "")]))
    parsed = read(machine, values((96, 2)), [[(0, 12_000)]])
    assert parsed.readings is not None
    fed = {"separation_loss_kg_s", "cleaning_loss_kg_s"} & set(parsed.readings.columns)
    assert fed == ({channel} if channel else set())
    if channel:
        assert column(parsed, channel) == [pytest.approx(0.012)]
    else:
        assert json.loads(column(parsed, "other")[0]) == {"96/1/loss [mg/s]": "12000"}
        which = "96/1/loss may be separation_loss_kg_s or cleaning_loss_kg_s"
        assert f"TLG00001: {which}; say which in farm.toml, under names." in parsed.attention


SHOWN = '<DVP A="400" B="0" C="0.01" D="1" E="%"/>'


def test_the_free_range_is_kept_and_never_guessed() -> None:
    machine = device((1, "machine", []), (2, "rotor", [(0xE005, 1, "rotor loss", "400")]), shown=SHOWN)
    parsed = read(machine, values((0xE005, 2)), [[(0, 4250)]])
    assert parsed.readings is not None
    assert "separation_loss_signal" not in parsed.readings.columns
    assert json.loads(column(parsed, "other")[0]) == {"57349/1/rotor loss [%]": "42.5"}
    assert parsed.unmatched_columns == ("57349/1/rotor loss",)


@pytest.mark.parametrize("name", ["57349", "E005", "57349/1", "rotor loss", "57349/1/rotor loss"])
def test_a_line_in_farm_toml_maps_it(name: str) -> None:
    machine = device((1, "machine", []), (2, "rotor", [(0xE005, 1, "rotor loss", "400")]), shown=SHOWN)
    farm = parse_farm(
        f'time_zone = "UTC"\n[columns."set"]\nnames = {{ "{name}" = "separation_loss_signal" }}'
    )
    parsed = read(machine, values((0xE005, 2)), [[(0, 4250)]], farm)
    assert column(parsed, "separation_loss_signal") == [42.5]
    assert parsed.unmatched_columns == ()


def test_a_line_in_farm_toml_that_no_log_has_is_told() -> None:
    machine = device((1, "machine", []), (2, "rotor", [(0xE005, 1, "rotor loss", "400")]), shown=SHOWN)
    stated = 'names = { "E005" = "separation_loss_signal", "rotor los" = "cleaning_loss_signal" }'
    parsed = read(
        machine,
        values((0xE005, 2)),
        [[(0, 4250)]],
        parse_farm(f'time_zone = "UTC"\n[columns."set"]\n{stated}'),
    )
    told = [note for note in parsed.notes if note.startswith("farm.toml says")]
    assert told == ["farm.toml says what 'rotor los' is, and no log of the task data has such a column."]


@pytest.mark.parametrize(
    ("channel", "unit", "expected"),
    [
        # 4250 shown as 42.5: 42.5 lb/s are 19.278 kg/s (1 lb = 0.45359237 kg), 42.5 t/h are 11.806 kg/s.
        ("grain_flow_kg_s", "lb/s", 19.2776757),
        ("grain_flow_kg_s", "t/h", 11.8055556),
        ("fan_speed_rpm", "1/s", 2550.0),
        ("speed_m_s", "mph", 18.9992),
    ],
)
def test_a_unit_in_farm_toml_is_that_of_the_number_shown(channel: str, unit: str, expected: float) -> None:
    shown = '<DVP A="400" B="0" C="0.01" D="1" E=""/>'
    machine = device((1, "machine", [(0xE005, 1, "value", "400")]), shown=shown)
    mapped = f'[columns."set"]\nnames = {{ "E005" = {{ is = "{channel}", unit = "{unit}" }} }}'
    farm = parse_farm(f'time_zone = "UTC"\n{mapped}')
    parsed = read(machine, values((0xE005, 1)), [[(0, 4250)]], farm)
    assert column(parsed, channel) == [pytest.approx(expected, rel=1e-6)]


def test_a_unit_that_does_not_fit_gets_a_note_and_the_number_is_kept() -> None:
    machine = device((1, "machine", [(0xE005, 1, "value", "400")]), shown=SHOWN)
    mapped = '[columns."set"]\nnames = { E005 = { is = "speed_m_s", unit = "kg/s" } }'
    parsed = read(machine, values((0xE005, 1)), [[(0, 4250)]], parse_farm(mapped))
    assert json.loads(column(parsed, "other")[0]) == {"57349/0/value": "4250"}
    assert any("57349/0/value was not used as speed_m_s" in asked for asked in parsed.attention)


@pytest.mark.parametrize("name", ["time", "machine", "latitude", "ignore", "concave_type"])
def test_what_no_value_of_a_log_can_feed_stays_in_other(name: str) -> None:
    machine = device((1, "machine", [(0xE005, 1, name, "400"), (397, 1, "speed", "")]), shown=SHOWN)
    mapped = f'[columns."set"]\nnames = {{ E005 = "{name}" }}'
    parsed = read(machine, values((0xE005, 1), (397, 1)), [[(0, 4250), (1, 1500)]], parse_farm(mapped))
    assert column(parsed, "latitude") == [52.0]
    assert json.loads(column(parsed, "other")[0]) == {f"57349/0/{name} [%]": "42.5"}


def test_a_designator_that_is_a_name_of_ours_maps_it() -> None:
    machine = device((1, "machine", [(0xE005, 1, "returns_signal", "400")]), shown=SHOWN)
    parsed = read(machine, values((0xE005, 1)), [[(0, 4250)]])
    assert column(parsed, "returns_signal") == [42.5]


def test_a_frozen_yield_reading_is_left_empty() -> None:
    machine = device((1, "machine", [(87, 1, "flow", ""), (239, 8, "hold", "")]))
    rows = [[(0, 8_000_000), (1, 0)], [(0, 8_000_000), (1, 1)], [(0, 8_100_000), (1, 0)]]
    parsed = read(machine, values((87, 1), (239, 1)), rows)
    assert column(parsed, "grain_flow_kg_s") == [8.0, None, 8.1]


def test_flow_out_of_dry_flow() -> None:
    """Dry matter is the same wet and at reference: 8 kg/s at 14 % is 8 x 0.86 / 0.80 = 8.6 kg/s at 20 %."""
    machine = device((1, "machine", [(182, 1, "dry", ""), (184, 8, "ref", ""), (99, 1, "moisture", "")]))
    rows = [[(0, 8_000_000), (1, 140_000), (2, 200_000)]]
    parsed = read(machine, values((182, 1), (184, 1), (99, 1)), rows)
    assert column(parsed, "grain_flow_kg_s") == [pytest.approx(8.6)]


def test_flow_out_of_yield_by_area() -> None:
    """8 t/ha = 0.8 kg/m2 over 9 m at 1.5 m/s is 10.8 kg/s."""
    machine = device((1, "machine", [(84, 1, "yield", ""), (67, 8, "width", ""), (397, 1, "speed", "")]))
    parsed = read(machine, values((84, 1), (67, 1), (397, 1)), [[(0, 800_000), (1, 9000), (2, 1500)]])
    assert column(parsed, "grain_flow_kg_s") == [pytest.approx(10.8)]


def test_speed_out_of_positions_where_none_is_logged() -> None:
    """0.00001 degrees of latitude are 1.11 m on a sphere of 6371 km."""
    machine = device((1, "machine", [(99, 1, "moisture", "")]))
    data = b"".join(sets.record(s, [(0, 140_000)], place=(52 + 1e-5 * s, 7.0)) for s in range(20))
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=machine),
        TLG00001_XML=sets.header(values((99, 1))),
        TLG00001_BIN=data,
    )
    speeds = column(read_task_data(files, "set", FARM), "speed_m_s")
    assert speeds[10] == pytest.approx(1.112, abs=0.01)


# Names and totals ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("alias", ["Third Combine", "4711", "a00e000000000001"])
def test_a_machine_by_its_alias(alias: str) -> None:
    farm = parse_farm(f'time_zone = "UTC"\n[machines."Combine Seven"]\naliases = ["{alias}"]')
    assert set(column(read_task_data(sets.members(), "set", farm), "machine")) == {"Combine Seven"}


def test_crop_of_the_field_or_of_the_product() -> None:
    by_field = '<CTP A="CTP-1" B="Winter Wheat"/><PFD A="PFD-1" C="Mill Field" D="0" G="CTP-1"/>'
    parsed = read_task_data(sets.members(TASKDATA_XML=sets.task_file(more=by_field)), "set", FARM)
    assert set(column(parsed, "crop")) == {"wheat"}
    by_product = (
        '<PGP A="PGP-1" B="crops" C="2"/><PDT A="PDT-1" B="Teff" C="PGP-1"/><PDT A="PDT-2" B="String"/>'
        + by_field
    )
    tasks = '<TSK A="TSK-1" E="PFD-1" G="4"><PAN A="PDT-2"/><PAN A="PDT-1"/><TLG A="TLG00001" C="1"/></TSK>'
    files = sets.members(TASKDATA_XML=sets.task_file(more=by_product, tasks=tasks))
    assert set(column(read_task_data(files, "set", FARM), "crop")) == {"Teff"}


SQUARE = '<PNT A="2" C="51.99" D="6.99"/><PNT A="2" C="51.99" D="7.01"/><PNT A="2" C="52.01" D="7.01"/>'


def test_a_boundary_and_the_field_it_tells() -> None:
    """A task without a field gets the one it lies in; the ring is open and one hole stands apart."""
    ring = f'{SQUARE}<PNT A="2" C="52.01" D="6.99"/>'
    hole = (
        '<PNT A="2" C="51.995" D="6.995"/><PNT A="2" C="51.995" D="6.996"/><PNT A="2" C="51.996" D="6.996"/>'
    )
    fields = (
        f'<PFD A="PFD-1" C="Mill Field" D="0"><PLN A="1"><LSG A="1">{ring}</LSG></PLN>'
        f'<PLN A="1"><LSG A="2">{hole}</LSG></PLN><PLN A="2"><LSG A="1">{SQUARE}</LSG></PLN></PFD>'
        '<PFD A="PFD-2" C="Bare Field" D="12"/>'
        '<PFD A="PFD-3" C="Torn Field" D="12"><PLN A="1"><LSG A="1"><PNT A="2" C="95" D="7"/></LSG></PLN>'
        "</PFD>"
    )
    tasks = '<TSK A="TSK-1" G="4"><TLG A="TLG00001" C="1"/></TSK>'
    parsed = read_task_data(sets.members(TASKDATA_XML=sets.task_file(more=fields, tasks=tasks)), "set", FARM)
    assert set(column(parsed, "field")) == {"Mill Field"}
    assert parsed.fields is not None
    (row,) = parsed.fields.to_dicts()
    assert row["row"] == 61
    # 0.02 degrees of latitude are 2.225 km, of longitude at 52 degrees 1.373 km (WGS 84): 305.5 ha;
    # the hole is half of 111.3 m x 68.6 m, 0.4 ha.
    assert row["area_ha"] == pytest.approx(305.1, rel=1e-3)
    assert row["boundary_wkt"].count("(") == 3
    assert parsed.set_aside is not None
    assert parsed.set_aside["rule"].to_list() == ["bad_boundary"]
    assert parsed.rows_read == 62


def test_offsets_of_the_parts_get_a_note() -> None:
    described = sets.DEVICE.replace('<DOR A="12"/>', '<DOR A="12"/><DOR A="30"/><DOR A="31"/>').replace(
        "</DVC>", '<DPT A="30" B="0086" C="3800"/><DPT A="31" B="0087" C="-250"/></DVC>'
    )
    parsed = read_task_data(sets.members(TASKDATA_XML=sets.task_file(devices=described)), "set", FARM)
    place = "header +3.80 m forward, -0.25 m right"
    assert f"Third Combine: from its reference point, {place}. Positions are as logged." in parsed.notes


def test_totals_are_held_against_the_log() -> None:
    machine = device((1, "machine", [(87, 1, "flow", ""), (141, 8, "state", "")]))
    tasks = (
        '<TSK A="TSK-1" G="4"><TIM A="2026-07-21T10:00:00" D="4"><DLV A="005A" B="700" C="DET-1"/>'
        '<DLV A="0077" B="100" C="DET-1"/></TIM><TLG A="TLG00001" C="1"/></TSK>'
    )
    rows = [[(0, 8_000_000), (1, 1)] for _ in range(101)]
    parsed = read(machine, values((87, 1), (141, 1)), rows, tasks=tasks)
    notes = "\n".join(parsed.notes)
    # 8 kg/s over 100 s are 800 kg, 14.3 % above 700.
    assert "crop mass by the machine's own total 700 kg, by the log 800 kg (+14.3%)" in notes
    assert "time in work by the machine's own total 100 s, by the log 100 s (they agree)" in notes
