"""Harvest logs: from a file's bytes to readings, with nothing lost on the way."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import polars as pl
import pytest
from builders.places import corn_log
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.schemas.tables import tables
from shapely.geometry import box

# Language, headers, and a crop in its words.
LANGUAGES = [
    line.split("|")
    for line in (Path(__file__).parent / "notebooks" / "headers.txt").read_text("utf-8").splitlines()
]


def parsed(text, farm=None, boundaries=(), name="log.csv"):
    content = text.encode() if isinstance(text, str) else text
    return read(from_bytes(name, content), farm or Farm(), list(boundaries))


def refused(text, farm=None):
    with pytest.raises(UnreadableFile) as caught:
        parsed(text, farm)
    return caught.value.reason


def whole(found):
    """Every row is kept or aside, and the tables keep their contracts."""
    assert found.rows_read == found.readings.height + found.rows_set_aside
    tables()["readings"].conform(found.readings)
    tables()["set_aside"].conform(found.set_aside)
    if found.adjustments is not None:
        tables()["adjustments"].conform(found.adjustments)
    return found


def test_canonical_names_need_no_configuration():
    found = whole(
        parsed(
            "time,machine,field,crop,latitude,longitude,speed_m_s,working,grain_flow_kg_s,oil_bar\n"
            "2026-08-01T10:00:00Z,Combine A,Mill Field,Wheat,52.1,9.9,1.5,1,6.25,4.1\n"
        )
    )
    assert found.kind == "harvest log"
    row = found.readings.row(0, named=True)
    assert row["time"] == datetime(2026, 8, 1, 10, tzinfo=UTC)
    assert (row["machine"], row["field"], row["crop"]) == ("Combine A", "Mill Field", "wheat")
    assert (row["speed_m_s"], row["working"], row["grain_flow_kg_s"]) == (1.5, 1.0, 6.25)
    assert json.loads(row["other"]) == {"oil_bar": "4.1"}
    assert found.unmatched_columns == ("oil_bar",)
    assert found.notes == ()


def test_units_decimal_commas_and_local_time_together():
    farm = parse_farm('[machines.A]\ntime_zone = "Europe/Berlin"')
    found = whole(
        parsed(
            "Zeit;Maschine\nDatum;Machine;Speed (km/h);Grain flow (t/h);Moisture [%];Pitch (%)\n".replace(
                "Datum", "Timestamp"
            )
            + "01.08.2026 12:00:00;A;5,4;18,0;14,5;100\n01.08.2026 12:00:01;A;1.005,4;18;n/a;-\n",
            farm,
        )
    )
    rows = found.readings
    assert rows["time"][0] == datetime(2026, 8, 1, 10, tzinfo=UTC)
    assert rows["speed_m_s"].to_list() == pytest.approx([1.5, 1005.4 / 3.6])
    assert rows["grain_flow_kg_s"].to_list() == pytest.approx([5.0, 5.0])
    assert rows["grain_moisture_pct"].to_list() == [14.5, None]
    assert rows["pitch_deg"].to_list() == pytest.approx([45.0, None])
    assert "'Speed (km/h)' was converted from km/h to m/s." in found.notes


def test_a_text_where_a_number_is_needed_leaves_its_row_without_that_value():
    found = whole(
        parsed(
            "time,speed_m_s,grain_flow_kg_s\n2026-08-01T10:00:00Z,fast,ERR\n2026-08-01T10:00:01Z,1.5,6\n"
            "2026-08-01T10:00:02Z,inf,6\n"
        )
    )
    aside = found.set_aside.to_dicts()
    assert [(a["row"], a["rule"], a["column"], a["value"]) for a in aside] == [
        (2, "not_a_number", "speed_m_s", "fast"),
        (2, "not_a_number", "grain_flow_kg_s", "ERR"),
        (4, "not_a_number", "speed_m_s", "inf"),
    ]
    assert found.readings.select("row", "speed_m_s", "grain_flow_kg_s").rows() == [
        (2, None, None),
        (3, 1.5, 6.0),
        (4, None, 6.0),
    ]
    assert [a["row_kept"] for a in aside] == [True, True, True]
    assert aside[0]["sentence"] == "'fast' in column 'speed_m_s' is not a number."
    assert json.loads(aside[0]["content"]) == {
        "time": "2026-08-01T10:00:00Z",
        "speed_m_s": "fast",
        "grain_flow_kg_s": "ERR",
    }


def test_bad_times_and_broken_rows_go_aside_each_under_its_rule():
    found = whole(
        parsed(
            "time,speed_m_s\n2026-13-01T10:00:00Z,1\n1970-01-01T00:00:05Z,1\n2026-08-01T10:00:00Z,1\n"
            "2026-08-01T10:00\nTotal,,,9\n2026-08-01T10:00:03Z,\0\n"
        )
    )
    assert [(a["row"], a["rule"]) for a in found.set_aside.to_dicts()] == [
        (2, "bad_time"),
        (3, "bad_time"),
        (5, "wrong_number_of_fields"),
        (6, "wrong_number_of_fields"),
        (7, "not_text"),
    ]
    assert (
        found.set_aside["sentence"][1]
        == "'1970-01-01T00:00:05Z' is not a valid date and time between 1990 and 2100."
    )
    assert found.set_aside["sentence"][2] == (
        "The row does not have the 2 fields of the header (separators make 1), or a quote is open."
    )
    assert json.loads(found.set_aside["content"][2]) == {"line": "2026-08-01T10:00"}


def test_no_rows_is_no_fault():
    found = whole(parsed("time,speed_m_s\n"))
    assert found.readings.height == 0
    assert found.rows_read == 0


def test_no_time_column_is_refused():
    assert refused("speed_m_s,grain_flow_kg_s\n1,2\n") == (
        "No column holds the time; name it 'time', or say in farm.toml which it is: "
        '[columns."log.csv"] names = { "..." = "time" }.'
    )


def test_no_measured_channel_is_refused():
    assert refused("time,latitude,longitude\n2026-08-01T10:00:00Z,52,9\n").startswith(
        "No column is a measured channel such as speed, grain flow, moisture or loss;"
    )


def test_an_unknown_unit_keeps_its_column_unread():
    found = whole(parsed("time,speed (furlongs),moisture\n2026-08-01T10:00:00Z,7,14\n"))
    assert "speed_m_s" not in found.readings.columns
    assert found.unmatched_columns == ("speed (furlongs)",)
    assert json.loads(found.readings["other"][0]) == {"speed (furlongs)": "7"}
    assert found.attention == (
        "Column 'speed (furlongs)' is kept unread: the unit 'furlongs' is not known. "
        'Say what it is in farm.toml: [columns."log.csv"] names = { "speed (furlongs)" = '
        '{ is = "speed_m_s", unit = "..." } }.',
    )
    assert found.attention[0] in found.notes


def test_an_unknown_unit_of_the_only_channel_is_refused():
    assert refused("time,speed (furlongs)\n2026-08-01T10:00:00Z,7\n").startswith(
        "No column is a measured channel that can be read. "
        "Column 'speed (furlongs)' is kept unread: the unit 'furlongs' is not known. "
        "Say what it is in farm.toml: "
    )


def test_one_odd_value_says_nothing_about_the_unit_of_its_column():
    rows = "".join(f"2026-08-01T10:00:{i:02d}Z,{i}.5\n" for i in range(5))
    found = whole(parsed("time,speed_m_s\n" + rows + "2026-08-01T10:00:05Z,0x1F\n"))
    assert found.readings["speed_m_s"].to_list() == [0.5, 1.5, 2.5, 3.5, 4.5, None]
    assert found.set_aside.select("row", "rule", "value").rows() == [(7, "not_a_number", "0x1F")]


def test_a_unit_behind_every_value_is_read():
    found = whole(
        parsed("time,speed,moisture\n2026-08-01T10:00:00Z,5.4 km/h,14 %\n2026-08-01T10:00:01Z,,14%\n")
    )
    assert found.readings["speed_m_s"].to_list() == pytest.approx([1.5, None])
    assert found.readings["grain_moisture_pct"].to_list() == [14.0, 14.0]
    mixed = whole(parsed("time,speed\n2026-08-01T10:00:00Z,5.4 km/h\n2026-08-01T10:00:01Z,3 mph\n"))
    assert mixed.set_aside["rule"].to_list() == ["not_a_number", "not_a_number"]


def test_words_under_a_synonym_do_not_cost_the_rows():
    rows = "".join(f"2026-08-01T10:00:{i:02d}Z,1.5,Load {i}\n" for i in range(20))
    found = whole(parsed("time,speed_m_s,load\n" + rows))
    assert found.readings.height == 20
    assert found.unmatched_columns == ("load",)
    assert (
        "Column 'load' is kept unread: it looks like engine_load_pct but holds words such as 'Load 0'."
        in found.notes
    )


def test_times_without_a_date_are_refused_and_farm_toml_gives_the_date():
    log = "time,speed_m_s\n10:00:00,1\n10:00:01,1\n"
    assert refused(log) == (
        "Times such as '10:00:00' have no date; say it in farm.toml: "
        '[columns."log.csv"] constants = { date = "2026-08-01" }.'
    )
    farm = parse_farm('[columns."log.csv"]\nconstants = { date = "2026-08-01" }')
    assert parsed(log, farm).readings["time"][1] == datetime(2026, 8, 1, 10, 0, 1, tzinfo=UTC)


def test_lines_of_separators_alone_are_blank_lines():
    assert whole(parsed("time,speed_m_s\n2026-08-01T10:00:00Z,1\n,\n , \n")).rows_read == 1


def test_a_temperature_is_kept_unread():
    found = parsed("time,speed_m_s,air temperature (°C)\n2026-08-01T10:00:00Z,1,21\n")
    assert found.unmatched_columns == ("air temperature (°C)",)


def test_bushels_need_a_crop():
    log = "time,crop,grain flow (bu/h)\n2026-08-01T10:00:00Z,{},3600\n"
    flow = parsed(log.format("wheat")).readings["grain_flow_kg_s"][0]
    assert flow == pytest.approx(60 * 0.45359237)  # 60 lb a bushel of wheat, from memory; lb: exact
    assert refused(log.format("quinoa")) == (
        "Column 'grain flow (bu/h)' counts bushels, and the mass of a bushel of 'quinoa' is not known; "
        "state it in farm.toml: [crops.quinoa] bushel_mass_lb = 60."
    )
    assert "the mass of a bushel of" in refused(log.format(""))
    own = parse_farm("[crops.quinoa]\nbushel_mass_lb = 50")
    assert parsed(log.format("quinoa"), own).readings["grain_flow_kg_s"][0] == pytest.approx(50 * 0.45359237)


def test_a_synonym_without_a_unit_gets_a_note_and_so_does_an_unlikely_one():
    slow = parsed("time,speed\n2026-08-01T10:00:00Z,1.5\n")
    assert "'speed' states no unit; m/s is assumed." in slow.notes
    fast = parsed("time,speed\n2026-08-01T10:00:00Z,7.5\n")
    assert (
        "'speed' states no unit; m/s is assumed. Its median of 7.5 is unlikely in m/s: check, and state the "
        "unit in farm.toml."
    ) in fast.notes


def test_machine_from_alias_constant_preamble_or_none():
    log = "time,machine,speed_m_s\n2026-08-01T10:00:00Z,0012,1\n2026-08-01T10:00:00Z,,1\n"
    farm = parse_farm('[machines."Combine A"]\naliases = ["0012"]\n[machines.B]')
    found = parsed(log, farm)
    assert found.readings["machine"].to_list() == ["Combine A", "unnamed machine"]
    assert found.notes[0] == (
        "No machine is named in 1 row, so 'unnamed machine' is used; state the machine in farm.toml: "
        '[columns."log.csv"] constants = { machine = "..." }.'
    )
    stated = parse_farm('[columns."log*"]\nconstants = { machine = "Combine C" }')
    assert parsed(log, stated).readings["machine"].to_list() == ["0012", "Combine C"]
    above = parsed("Machine: Combine D\ntime,speed_m_s\n2026-08-01T10:00:00Z,1\n")
    assert above.readings["machine"].to_list() == ["Combine D"]


def test_names_are_data_whatever_they_look_like():
    found = parsed(
        "time,machine,field,speed_m_s\n2026-08-01T10:00:00Z,../../etc/passwd,<script>alert(1)</script>,1\n"
        '2026-08-01T10:00:01Z,"A\tB\x07",=1+1,1\n'
    )
    assert found.readings["machine"].to_list() == ["../../etc/passwd", "A B"]
    assert found.readings["field"].to_list() == ["<script>alert(1)</script>", "=1+1"]


def test_the_field_follows_from_its_boundary():
    big, small = ("Big", box(9, 52, 10, 53)), ("Small", box(9.4, 52.4, 9.6, 52.6))
    log = (
        "time,field,latitude,longitude,speed_m_s\n2026-08-01T10:00:00Z,,52.1,9.1,1\n"
        "2026-08-01T10:00:01Z,,52.5,9.5,1\n2026-08-01T10:00:02Z,,10,10,1\n2026-08-01T10:00:03Z,Own,52.5,9.5,1\n"
        "2026-08-01T10:00:04Z,,,,1\n"
    )
    found = whole(parsed(log, boundaries=[small, big]))
    assert found.readings["field"].to_list() == ["Big", "Small", None, "Own", None]
    assert "The field of 2 rows was found by its boundary; 2 rows in no known field." in found.notes
    assert "No field is named in 4 rows, and no boundaries are known to find it." in parsed(log).notes


def test_speed_from_distance_and_duration():
    found = parsed("time,distance_m,record_duration_s\n2026-08-01T10:00:00Z,3,2\n2026-08-01T10:00:02Z,3,0\n")
    assert found.readings["speed_m_s"].to_list() == [1.5, None]
    assert "Speed was computed from the distance and the duration of each record." in found.notes


def test_the_working_flag_in_words():
    found = whole(parsed("time,work state,speed_m_s\n2026-08-01T10:00:00Z,Yes,1\n2026-08-01T10:00:01Z,off,1\n"
                         "2026-08-01T10:00:02Z,maybe,1\n"))  # fmt: skip
    assert found.readings["working"].to_list() == [1.0, 0.0, None]
    assert found.set_aside["rule"].to_list() == ["not_a_number"]


def test_width_from_the_machine_where_the_log_has_none():
    farm = parse_farm("[machines.A]\nwidth_m = 9.0")
    found = parsed("time,machine,speed_m_s\n2026-08-01T10:00:00Z,A,1\n2026-08-01T10:00:00Z,B,1\n", farm)
    assert found.readings["working_width_m"].to_list() == [9.0, None]


def test_setting_columns_stay_in_the_readings_and_give_adjustments():
    rows = "".join(
        f"2026-08-01T10:{i // 60:02d}:{i % 60:02d}Z,A,1.5,{1000 if i < 60 else 1080},"
        f"{'Open' if i < 90 else 'shut'}\n"
        for i in range(180)
    )
    found = whole(parsed("time,machine,speed_m_s,Fan speed (rpm),Concave cover plates\n" + rows))
    assert found.readings["fan_speed_rpm"].unique().sort().to_list() == [1000.0, 1080.0]
    assert set(found.readings["concave_cover_plates"]) == {"open", "closed"}
    result = found.adjustments.select("row", "setting", "from_value", "to_value", "origin").rows()
    assert result == [
        (62, "fan_speed", "1000", "1080", "setting column"),
        (92, "concave_cover_plates", "open", "closed", "setting column"),
    ]


def test_clock_change_within_a_log():
    farm = parse_farm('time_zone = "Europe/Berlin"')
    found = whole(parsed(
        "time,speed_m_s\n2026-10-25 01:59:59,1\n2026-10-25 02:30:00,1\n2026-10-25 02:00:00,1\n"
        "2026-10-25 03:00:00,1\n", farm,
    ))  # fmt: skip
    assert [t.hour for t in found.readings["time"]] == [23, 0, 0, 2]
    again = whole(parsed(
        "time,speed_m_s\n2026-10-25 02:59:59,1\n2026-10-25 02:00:00,1\n", farm,
    ))  # fmt: skip
    assert [(t.hour, t.minute) for t in again.readings["time"]] == [(0, 59), (1, 0)]


def test_parquet_is_read_as_a_csv_is():
    frame = pl.DataFrame(
        {
            "time": pl.Series([datetime(2026, 8, 1, 10)]).dt.replace_time_zone("Europe/Berlin"),
            "Speed (km/h)": [5.4],
            "machine": ["A"],
            "kernels in sample": [3],
        }
    )
    stream = BytesIO()
    frame.write_parquet(stream)
    found = whole(parsed(stream.getvalue(), name="log.parquet"))
    assert found.readings["time"].to_list() == [datetime(2026, 8, 1, 8, tzinfo=UTC)]
    assert found.readings["speed_m_s"].to_list() == pytest.approx([1.5])
    assert found.unmatched_columns == ("kernels in sample",)
    assert "The Parquet file is damaged" in refused(stream.getvalue()[:60])


def test_a_real_log_is_accounted_for_to_the_last_row():
    """A published corn log of 4,949 records; first record 2011-11-05 12:38:03 US Central."""
    path = corn_log()
    farm = parse_farm(
        '[columns."corn_*"]\ntime_start = 2011-11-05T12:38:03\ntime_zone = "America/Chicago"\n'
        'constants = { machine = "Combine A", field = "Corn Field", crop = "corn",'
        ' working_width = "360 in" }\n'
        'names = { mass = { is = "grain_flow_kg_s", unit = "lb/s" },'
        ' dist = { is = "distance_m", unit = "in" },'
        ' elev = { is = "altitude_m", unit = "ft" }, seconds = "record_duration_s" }'
    )
    found = whole(parsed(path.read_bytes(), farm, name=path.name))
    assert found.rows_read == 4949
    first = found.readings.row(0, named=True)
    assert first["time"] == datetime(2011, 11, 5, 17, 38, 3, tzinfo=UTC)
    assert first["grain_flow_kg_s"] == pytest.approx(16.54 * 0.45359237)
    assert first["altitude_m"] == pytest.approx(1030.58 * 0.3048)
    assert first["working_width_m"] == pytest.approx(9.144)
    assert first["speed_m_s"] == pytest.approx(116 * 0.0254 / 3)
    assert found.readings["other"].null_count() == found.readings.height


@pytest.mark.parametrize(
    ("headers", "crop"), [(line[1], line[2]) for line in LANGUAGES], ids=[line[0] for line in LANGUAGES]
)
def test_a_log_in_the_words_of_each_language(headers, crop):
    """The same reading everywhere: 5.4 km/h, 28.8 t/h, 14.2 % and 950 rpm, with decimal commas."""
    rows = "".join(f"2026-08-01 10:00:{i:02d};Nr 1;5,4;28,8;14,2;950;{crop}\n" for i in range(5))
    found = whole(parsed(f"{headers}\n{rows}", Farm(time_zone="UTC")))
    row = found.readings.row(0, named=True)
    assert (row["machine"], row["crop"]) == ("Nr 1", "wheat")
    assert row["speed_m_s"] == pytest.approx(1.5) and row["grain_flow_kg_s"] == pytest.approx(8.0)
    assert (row["grain_moisture_pct"], row["fan_speed_rpm"]) == (14.2, 950.0)
    assert found.set_aside.height == 0 and found.unmatched_columns == ()


def test_flow_out_of_yield_speed_and_width():
    """8 t/ha x 1.5 m/s x 9 m = 10.8 kg/s; 80 dt/ha is the same; 119 bu/ac of wheat (60 lb) are 8.003 t/ha."""
    rows = "2026-08-01T10:00:00Z,wheat,1.5,9,{}\n2026-08-01T10:00:01Z,wheat,,9,{}\n"
    for unit, value, expected in (("t/ha", 8, 10.8), ("dt/ha", 80, 10.8), ("bu/ac", 119, 10.804)):
        found = whole(
            parsed(f"time,crop,speed_m_s,working_width_m,Yield ({unit})\n" + rows.format(value, value))
        )
        flow = found.readings["grain_flow_kg_s"].to_list()
        assert flow[0] == pytest.approx(expected, rel=1e-3) and flow[1] is None
        assert "Grain flow was computed from yield by area, speed and working width." in found.notes


def test_a_yield_without_a_width_says_what_it_takes():
    log = "time,machine,speed_m_s,Yield (t/ha)\n2026-08-01T10:00:00Z,A,1.5,8\n"
    found = whole(parsed(log))
    assert "grain_flow_kg_s" not in found.readings.columns
    assert any(
        "it lacks the working width: state width_m under machines in farm.toml" in a for a in found.attention
    )
    stated = whole(parsed(log, parse_farm("[machines.A]\nwidth_m = 9.0")))
    assert stated.readings["grain_flow_kg_s"].to_list() == pytest.approx([10.8]) and stated.attention == ()


def test_a_yield_that_makes_no_possible_flow_leaves_its_row():
    found = whole(
        parsed(
            "time,speed_m_s,working_width_m,Yield (t/ha)\n2026-08-01T10:00:00Z,2,9,39\n2026-08-01T10:00:01Z,2,9,8\n"
        )
    )
    assert found.readings["grain_flow_kg_s"].to_list() == pytest.approx([None, 14.4])
    assert found.set_aside.height == 0
