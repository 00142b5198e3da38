"""Settings logs: names, units and words of the catalogue, and what it lacks."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from chaffinch.pipelines.errors import DeclarationError, UnreadableFile
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.schemas.tables import tables


def parsed(text, farm=None):
    found = read(from_bytes("settings.csv", text.encode()), farm or Farm(), [])
    assert found.kind == "settings log"
    assert found.rows_read == found.adjustments.height + found.set_aside["row"].n_unique()
    tables()["adjustments"].conform(found.adjustments)
    return found


def result(found):
    return found.adjustments.select("row", "setting", "from_value", "to_value", "unit", "kind").rows()


def rows(*lines):
    return "time,machine,setting,from_value,to_value,unit,note\n" + "".join(
        f"2026-08-01T10:{i:02d}:00Z,A,{line}\n" for i, line in enumerate(lines)
    )


def test_numbers_in_the_catalogue_unit_as_plain_text():
    found = parsed(
        rows("Fan speed,1000.0,1080,rpm,dusty", "concave clearance,0.5,0.75,in,", "sieve loss,1,2,,")
    )
    assert result(found)[:2] == [
        (2, "fan_speed", "1000", "1080", "rpm", "number"),
        (3, "concave_clearance", "12.7", "19.05", "mm", "number"),
    ]
    first = found.adjustments.row(0, named=True)
    assert (first["time"], first["origin"], first["note"]) == (
        datetime(2026, 8, 1, 10, tzinfo=UTC),
        "settings log",
        "dusty",
    )


def test_the_unit_may_stand_in_the_name_of_the_setting():
    assert result(parsed(rows("concave clearance (cm),,1.2,,")))[0][3:5] == ("12", "mm")


def test_the_unit_may_stand_behind_the_values():
    found = parsed(rows("fan speed,1000 rpm,1080 rpm,,", "concave clearance,1 cm,1.2 cm,,"))
    assert [r[2:5] for r in result(found)] == [("1000", "1080", "rpm"), ("10", "12", "mm")]


def test_the_value_before_is_known_from_earlier_rows_of_the_same_machine():
    found = parsed(
        "time,machine,setting,to_value\n2026-08-01T11:00:00Z,A,fan speed,1100\n"
        "2026-08-01T10:00:00Z,A,fan speed,1000\n2026-08-01T10:30:00Z,B,fan speed,900\n"
    )
    assert [(r[0], r[2], r[3]) for r in result(found)] == [
        (2, "1000", "1100"),
        (3, None, "1000"),
        (4, None, "900"),
    ]


def test_words_become_positions_where_recognised_and_stay_where_not():
    found = parsed(
        rows(
            "Concave cover plates,Open,SHUT,,",
            "feeder drum position,high,down,,",
            "chopper speed,,ludicrous,,",
        )
    )
    assert [r[2:4] for r in result(found)] == [("open", "closed"), ("upper", "lower"), (None, "ludicrous")]
    assert "Chopper speed: 'ludicrous' is not one of low, high; it is kept as logged." in found.notes


def test_a_setting_that_the_catalogue_lacks_is_kept_as_logged():
    found = parsed(rows("Moon phase,new,full,quarters,"))
    assert result(found) == [(2, "Moon phase", "new", "full", "quarters", "unknown")]
    assert found.notes == found.attention
    assert "The catalogue has no setting 'Moon phase'; its changes are kept as an unknown" in found.notes[0]


def test_a_service_needs_no_value():
    assert result(parsed(rows("concave cleaned,,,,")))[0] == (
        2,
        "concave_cleaned",
        None,
        None,
        None,
        "service",
    )


@pytest.mark.parametrize(
    ("line", "rule", "value", "sentence"),
    [
        (
            "fan speed,,fast,rpm,",
            "not_a_number",
            "fast",
            "Fan speed is a number in rpm, and 'fast' is not one.",
        ),
        (
            "fan speed,,,rpm,",
            "not_a_number",
            "",
            "Fan speed: the row does not say which value it was set to.",
        ),
        (",,5,rpm,", "no_setting", "", "The row names no setting."),
        ("fan speed,,5,°C,", "unknown_unit", "°C", "Fan speed: the unit '°C' can't be turned into rpm."),
    ],
)
def test_rows_that_cannot_be_read_go_aside(line, rule, value, sentence):
    found = parsed(rows("fan speed,,1000,rpm,", line))
    (aside,) = found.set_aside.to_dicts()
    assert (aside["row"], aside["rule"], aside["value"], aside["sentence"]) == (3, rule, value, sentence)


def test_other_column_names_separators_and_local_time():
    farm = parse_farm('time_zone = "Europe/Berlin"')
    found = parsed(
        "Date;Time;Combine;Parameter;Old value;New value\n01.08.2026;12:00;A;Concave clearance;12,5;14,5\n",
        farm,
    )
    assert result(found) == [(2, "concave_clearance", "12.5", "14.5", "mm", "number")]
    assert found.adjustments["time"][0] == datetime(2026, 8, 1, 10, tzinfo=UTC)


def test_other_columns_are_named():
    found = parsed("time,machine,setting,to_value,mood\n2026-08-01T10:00:00Z,A,fan speed,1000,good\n")
    assert found.unmatched_columns == ("mood",)


def test_no_time_column_is_refused():
    with pytest.raises(UnreadableFile, match="No column holds the time; name it 'time'"):
        read(from_bytes("s.csv", b"machine,setting,to_value\nA,fan speed,1000\n"), Farm(), [])


STEPS = parse_farm("[machines.A]\nopening_per_step = { concave_clearance = 1.5 }\n")


def test_steps_of_a_machine_become_openings_that_compare():
    found = parsed(
        rows("concave clearance,4,6,steps,", "concave,6,8,,", "concave clearance,12,14,mm,"), STEPS
    )
    assert [r[2:5] for r in result(found)] == [("6", "9", "mm"), ("9", "12", "mm"), ("12", "14", "mm")]
    assert "Concave clearance of A was converted from steps of 1.5 mm." in found.notes


def test_steps_without_a_stated_opening_go_aside_and_say_what_to_state():
    found = parsed(rows("upper sieve opening,4,6,notch,"), STEPS)
    assert found.adjustments.is_empty()
    (row,) = found.set_aside.to_dicts()
    assert row["rule"] == "unknown_unit"
    assert '[machines."A"] opening_per_step = { upper_sieve_opening = ... }' in row["sentence"]


def test_an_opening_per_step_of_no_number_is_refused():
    with pytest.raises(DeclarationError, match="'chopper_speed' is not a setting with a number"):
        parse_farm("[machines.A]\nopening_per_step = { chopper_speed = 1 }\n")


def test_steps_in_a_column_of_a_harvest_log():
    header = "time,machine,speed_m_s,concave clearance (steps)\n"
    text = header + "2026-08-01T10:00:00Z,A,1.5,4\n2026-08-01T10:00:01Z,A,1.5,6\n"
    found = read(from_bytes("log.csv", text.encode()), STEPS, [])
    assert found.readings["concave_clearance_mm"].to_list() == [6.0, 9.0]
    unknown = read(from_bytes("log.csv", text.encode()), Farm(), [])
    assert unknown.unmatched_columns == ("concave clearance (steps)",)
    assert '[machines."A"] opening_per_step = { concave_clearance = ... }' in unknown.attention[0]


def test_a_machine_may_have_its_own_words_for_positions():
    farm = parse_farm(
        '[machines.A]\npositions = { feeder_drum_position = { lower = ["pin 1"], upper = ["Pin 2"] } }\n'
    )
    lines = ("10:10,A,{},pin 1,PIN 2", "10:20,A,{},high,low", "10:30,B,{},low,pin 2")
    text = "time,machine,setting,from_value,to_value\n" + "".join(
        f"2026-07-20 {line.format('feeder_drum_position')}\n" for line in lines
    )
    found = parsed(text, farm).adjustments
    assert found.select("machine", "from_value", "to_value").rows() == [
        ("A", "lower", "upper"),
        ("A", "upper", "lower"),
        ("B", "lower", "pin 2"),
    ]


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        ("positions = { feeder_drum = { lower = [] } }", "'feeder_drum' is not a setting with positions"),
        ("positions = { chopper_speed = { lower = [] } }", "'lower' is not a position of chopper_speed"),
        ('never_together = [{ chopper_speed = "fast" }]', "'fast' is not a position of chopper_speed"),
    ],
)
def test_words_for_positions_that_do_not_exist_are_refused(stated: str, message: str):
    with pytest.raises(DeclarationError, match=message):
        parse_farm(f"[machines.A]\n{stated}\n")
