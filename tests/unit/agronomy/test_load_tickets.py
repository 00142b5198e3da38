"""Weighed loads: reading them, comparing them with a log, and the factor and residual that follow."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.agronomy.load_tickets import (
    FlowCalibration,
    MoistureDrift,
    calibrate_flow,
    calibration_sentences,
    weigh_loads,
    with_calibration,
)
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import Delivery
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.validate import apply_rules
from chaffinch.pipelines.work.load_calibration import weighed_loads
from chaffinch.schemas.tables import tables

START = datetime(2026, 8, 3, 8, 0, tzinfo=UTC)


def _log(hours: float, flow_kg_s: float, moisture_pct: float = 15.0) -> pl.DataFrame:
    n = round(hours * 3600)
    return pl.DataFrame(
        {
            "time": [START + timedelta(seconds=k) for k in range(n)],
            "grain_flow_kg_s": [flow_kg_s] * n,
            "grain_moisture_pct": [moisture_pct] * n,
            "crop": ["wheat"] * n,
        },
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )


def _tickets(
    *loads: tuple[float, float, float | None, float | None], crop: str | None = None
) -> pl.DataFrame:
    """(from minute, to minute, mass kg, moisture %)"""
    rows = [
        {
            "time": START + timedelta(minutes=begin),
            "end_time": START + timedelta(minutes=end),
            "machine": "Combine A",
            "crop": crop,
            "mass_kg": mass,
            "moisture_pct": moisture,
        }
        for begin, end, mass, moisture in loads
    ]
    return tables()["load_tickets"].conform(pl.DataFrame(rows))


def test_a_load_by_hand():
    # 10 kg/s for 20 min are 12,000 kg logged; the scale says 11,400 and 12,120: 23,520 / 24,000 = 0.98.
    loads = weigh_loads(_log(1.0, 10.0), _tickets((0, 20, 11_400, 14.5), (20, 40, 12_120, 14.7)))
    assert loads["logged_kg"].to_list() == pytest.approx([12_000, 12_000])
    assert loads["logged_moisture_pct"].to_list() == pytest.approx([15.0, 15.0])
    (found,) = calibrate_flow(loads).values()
    assert (found.machine, found.crop, found.loads) == ("Combine A", "wheat", 2)
    assert found.factor == pytest.approx(0.98)
    # 11,400 / 11,760 and 12,120 / 11,760 lie 3.0612 % either side; with n - 1 = 1 that is 4.329 %, over
    # the root of two loads 3.061 %.
    assert found.residual_pct == pytest.approx(4.329, abs=5e-4)
    assert found.error_pct == pytest.approx(3.061, abs=5e-4)
    assert found.moisture_offset_pct == pytest.approx(0.4)
    assert found.drift is None
    after = with_calibration(_log(0.1, 10.0), found)
    assert after["grain_flow_kg_s"][0] == pytest.approx(9.8)
    assert after["grain_moisture_pct"][0] == pytest.approx(14.6)
    assert calibration_sentences(found)[0] == (
        "Grain flow is multiplied by 0.980, from 2 weighed loads; single loads differ from it by 4.3 %, so its error "
        "is about 3.1 %."
    )


def test_duration_of_the_record_and_holes_in_the_log():
    every_2_s = _log(1.0, 10.0).gather_every(2)
    assert weigh_loads(every_2_s, _tickets((0, 20, 12_000, None)))["logged_kg"][0] == pytest.approx(12_000)
    stated = every_2_s.with_columns(record_duration_s=pl.lit(1.0))
    assert weigh_loads(stated, _tickets((0, 20, 6_000, None)))["logged_kg"][0] == pytest.approx(6_000)
    # A hole of ten minutes is no grain, but for the last reading before it, which counts for ten seconds.
    minute = (pl.col("time") - START).dt.total_minutes()
    holed = _log(1.0, 10.0).filter(~minute.is_between(5, 14))
    assert weigh_loads(holed, _tickets((0, 20, 6_000, None)))["logged_kg"][0] == pytest.approx(6_090)


@pytest.mark.parametrize(
    ("loads", "why"),
    [
        (((0, 20, 12_000, None), (10, 30, 12_000, None)), ["shares part", "shares part"]),
        (((0, 20, 12_000, None), (80, 95, 9_000, None)), [None, "no grain flow"]),
        (((0, 20, 12.0, None),), ["unit or its times"]),
        (((0, 15, 9_000, None), (15, 30, 9_100, None), (30, 45, 12_500, None)), [None, None, "over 30 %"]),
    ],
)  # fmt: skip
def test_a_load_that_says_nothing_says_why_and_does_not_enter(loads, why):
    found = weigh_loads(_log(1.0, 10.0), _tickets(*loads))
    for sentence, expected in zip(found["why"], why, strict=True):
        assert (sentence is None) if expected is None else (expected in sentence)
    usable = sum(one is None for one in why)
    assert sum(c.loads for c in calibrate_flow(found).values()) == usable


def test_a_ticket_that_comes_twice_counts_once():
    found = weigh_loads(_log(1.0, 10.0), _tickets((0, 20, 12_000, None), (0, 20, 12_000, None)))
    assert found["why"].to_list() == [None]


def test_drift_of_moisture_has_a_standard_error():
    # The sensor reads 0.2, 0.5 and 0.8 points above the scale on three days: 0.3 points a day, exactly.
    loads = pl.concat(
        weigh_loads(_log(1.0, 10.0, 15.0), _tickets((0, 20, 12_000, 15.0 - off))).with_columns(
            pl.col("time") + pl.duration(days=day)
        )
        for day, off in enumerate((0.2, 0.5, 0.8))
    )
    (found,) = calibrate_flow(loads).values()
    assert found.moisture_offset_pct == pytest.approx(0.5)
    assert found.drift is not None
    assert (found.drift.points_per_day, found.drift.span_days) == (pytest.approx(0.3), pytest.approx(2.0))
    assert found.drift.error == pytest.approx(0.0, abs=1e-9)
    assert found.drift.clear
    assert "it moved by +0.6 points from the first load to the last" in calibration_sentences(found)[-1]


def test_a_drift_within_chance_is_not_called_one():
    # Offsets 0.2, 0.6, 0.7 on three days: 0.25 points a day; they lie 0.05, 0.1 and 0.05 off the line, so the
    # standard error is sqrt(0.015 / 1 / 2) = 0.0866, and t of one degree of freedom is 12.7: 1.1 points.
    drift = MoistureDrift(0.25, 0.0866, 2.0, 3)
    assert not drift.clear
    assert MoistureDrift(0.25, 0.0866, 2.0, 30).clear


def test_one_load_has_no_residual():
    (found,) = calibrate_flow(weigh_loads(_log(1.0, 10.0), _tickets((0, 20, 12_600, None)))).values()
    assert (found.factor, found.residual_pct, found.error_pct) == (pytest.approx(1.05), None, None)
    assert calibration_sentences(found) == [
        "Grain flow is multiplied by 1.050, from 1 weighed load; one load can't show how precise that is."
    ]


def test_nothing_to_calibrate_leaves_readings_alone():
    log = _log(0.01, 10.0)
    assert with_calibration(log, None) is log
    found = FlowCalibration("Combine A", None, 1.1, 1, None, None, 0.5)
    assert with_calibration(log.select("time"), found).columns == ["time"]
    assert calibrate_flow(weigh_loads(log, _tickets((0, 20, 1.0, None)).clear())) == {}


# ---- reading


def _read(text: str, farm: str = "") -> Parsed:
    return apply_rules(read(from_bytes("tickets.csv", text.encode()), parse_farm(farm), []))


@pytest.mark.seconds
def test_scale_tickets_of_a_csv():
    parsed = _read(
        "machine;from;to;mass (t);moisture;ticket;driver\n"
        "Combine A;03.08.2026 10:12;03.08.2026 10:55;9,84;14,8;4711;JB\n",
        'time_zone = "Europe/Berlin"',
    )
    assert parsed.kind == "load tickets"
    (row,) = parsed.load_tickets.to_dicts()
    assert row["time"] == datetime(2026, 8, 3, 8, 12, tzinfo=UTC)
    assert row["end_time"] == datetime(2026, 8, 3, 8, 55, tzinfo=UTC)
    assert (row["mass_kg"], row["moisture_pct"], row["ticket"]) == (pytest.approx(9840), 14.8, "4711")
    assert row["other"] == '{"driver":"JB"}'


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("A,2026-08-03T10:00Z,2026-08-03T09:00Z,21000,15", "ends_before_start"),
        ("A,2026-08-03T10:00Z,2026-08-03T10:30Z,,15", "no_mass"),
        ("A,2026-08-03T10:00Z,2026-08-03T10:30Z,heavy,15", "not_a_number"),
        ("A,2026-08-03T10:00Z,2026-08-03T10:30Z,-5,15", "impossible_load"),
        ("A,2026-08-03T10:00Z,2026-08-03T10:30Z,900000,15", "impossible_load"),
        ("A,2026-08-03T10:00Z,2026-08-03T10:30Z,21000,75", "impossible_moisture"),
        ("A,,2026-08-03T10:30Z,21000,15", "bad_time"),
        ("A,2026-08-03T10:00Z,soon,21000,15", "bad_time"),
        ("A,2026-08-03T10:00Z,2026-08-03T10:30Z,21000", "wrong_number_of_fields"),
    ],
)
def test_every_ticket_is_kept_or_set_aside_with_its_rule(line, rule):
    good = "A,2026-08-04T10:00Z,2026-08-04T10:30Z,21000,15\n"
    parsed = _read(f"machine,start,end,net weight lb,moisture %\n{good}{line}\n")
    assert parsed.load_tickets["mass_kg"].to_list() == pytest.approx([21000 * 0.45359237])
    assert set(parsed.set_aside["row"]) == {3}
    assert rule in set(parsed.set_aside["rule"])
    assert parsed.rows_read == 2


def test_a_mass_without_a_unit_that_is_too_small_for_kg_is_asked_about():
    parsed = _read("machine,from,to,mass\nA,2026-08-04T10:00Z,2026-08-04T10:30Z,9.84\n")
    assert parsed.attention == (
        "Column 'mass' names no unit and was read as kg, which makes loads of 9.84 kg; write the unit in its "
        "header, such as mass (t).",
    )


def test_bushels_are_no_mass_as_weighed():
    parsed = _read("machine,from,to,mass (bu)\nA,2026-08-04T10:00Z,2026-08-04T10:30Z,300\n")
    assert set(parsed.set_aside["rule"]) == {"no_mass"}
    assert "give the net mass as weighed, in lb or kg" in parsed.attention[0]


def test_tickets_without_a_span_are_refused_in_one_sentence():
    from chaffinch.pipelines.errors import UnreadableFile

    with pytest.raises(UnreadableFile, match="no column 'from' says when the machine began to cut"):
        _read("ticket,machine,net weight lb\n1,A,20000\n")


def test_a_log_with_everyday_words_stays_a_log():
    parsed = _read("time,machine,speed km/h,mass,weight,start\n2026-08-04T10:00Z,A,5,1,2,3\n")
    assert parsed.kind == "harvest log"
    assert set(parsed.unmatched_columns) == {"mass", "weight", "start"}


FARM = """
[machines."Combine A"]
time_zone = "Europe/Berlin"
aliases = ["0012"]
[[load_tickets]]
machine = "0012"
from = 2026-08-03T10:12:00
to = 2026-08-03T10:55:00
mass = "9.84 t"
moisture_pct = 14.8
crop = "Winter wheat"
"""


def test_tickets_of_farm_toml(tmp_path: Path):
    farm = parse_farm(FARM)
    assert farm.load_tickets[0].mass_kg == pytest.approx(9840)
    (row,) = weighed_loads(Lake(tmp_path / "lake"), farm).loads.to_dicts()
    assert (row["machine"], row["crop"]) == ("Combine A", "wheat")
    assert row["time"] == datetime(2026, 8, 3, 8, 12, tzinfo=UTC)
    assert "no grain flow" in row["why"]
    assert weighed_loads(Lake(tmp_path / "lake"), farm).sentences() == (
        "Combine A: 1 weighed load does not count, first that of 2026-08-03 08:12 UTC: "
        "The log has no grain flow in its time.",
    )


@pytest.mark.parametrize(
    ("written", "kg"),
    [
        ('mass = "21000 lb"', 21000 * 0.45359237), ("mass_t = 9.84", 9840), ("mass_lb = 21000", 21000 * 0.45359237),
        ("mass_kg = 9840", 9840),
    ],
)  # fmt: skip
def test_masses_of_farm_toml_as_people_write_them(written, kg):
    text = FARM.replace('mass = "9.84 t"', written).replace("moisture_pct", "moisture")
    (ticket,) = parse_farm(text).load_tickets
    assert (ticket.mass_kg, ticket.moisture_pct) == (pytest.approx(kg), 14.8)


@pytest.mark.parametrize(
    ("header", "kg"),
    [
        ("mass_kg", 9.84),
        ("mass_t", 9840),
        ("Mass [t]", 9840),
        ("net weight (lbs)", 9.84 * 0.45359237),
        ("mass", 9.84),
    ],
)
def test_masses_of_a_csv_by_the_unit_of_their_header(header, kg):
    parsed = _read(f"machine,date,from,to,{header}\nA,2026-08-04,10:00,10:30,9.84\n")
    (row,) = parsed.load_tickets.to_dicts()
    assert row["mass_kg"] == pytest.approx(kg)
    assert (row["end_time"] - row["time"]) == timedelta(minutes=30)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("9.84 t", "9.84", "names no unit"),
        ("9.84 t", "9.84 ton", "ambiguous"),
        ("9.84 t", "much", "names no unit"),
        ("10:55", "09:55", "not after it begins"),
        ("14.8", "140", "less than or equal to 60"),
        ("moisture_pct", "moistre_pct", "did you mean 'moisture_pct'"),
        ("10:55:00", "10:55:00Z", "both 'from' and 'to'"),
    ],
)
def test_a_wrong_ticket_in_farm_toml_gives_one_sentence(old, new, message):
    with pytest.raises(DeclarationError, match=message) as caught:
        parse_farm(FARM.replace(old, new))
    assert "load_tickets.0" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_loads_that_are_no_list_of_tables_give_a_hint():
    for text in ("load_tickets = 5\n", '[load_tickets]\nmachine = "A"\n'):
        with pytest.raises(DeclarationError, match=r"as a separate table under \[\[load_tickets\]\]"):
            parse_farm(text)


# ---- a made-up season, and a lake


def test_the_made_up_factor_of_a_flow_sensor_comes_out():
    """Loads weighed in a made-up season, whose sensor reads grain by a factor that the simulator knows."""
    made = replace(SCENARIOS["plain"], fields=1, machines=1, hours=2.0, adjustments=1)
    season = simulate_season(made, 5).machine_field(0)
    kept = season.noise.course.with_columns(load=pl.int_range(pl.len()) // 1200).filter(pl.col("load") < 5)
    weighed = kept.group_by("load", maintain_order=True).agg(
        pl.col("time").first(),
        (pl.col("time").last() + pl.duration(seconds=1)).alias("end_time"),
        pl.col("kept_kg_s").sum().alias("mass_kg"),
    )
    tickets = weighed.drop("load").with_columns(machine=pl.lit(season.machine.name))
    loads = weigh_loads(season.readings, tables()["load_tickets"].conform(tickets))
    (found,) = calibrate_flow(loads).values()
    assert (found.crop, found.loads) == ("wheat", 5)
    # Loads of twenty minutes, the grain of whose ends is a dozen seconds late: well within 1 %.
    assert found.factor == pytest.approx(1.0 / season.machine.instruments.flow_factor, rel=0.01)
    assert found.residual_pct is not None
    assert found.residual_pct < 2.0


def test_tickets_in_a_lake(tmp_path: Path):
    log = _log(0.7, 10.0).with_row_index("row", offset=2).with_columns(machine=pl.lit("Combine A"))
    tickets = _read(
        "machine,from,to,mass (t),moisture\n"
        "Combine A,2026-08-03T08:00Z,2026-08-03T08:20Z,12.6,14.5\n"
        "Combine A,2026-08-03T08:20Z,2026-08-03T08:40Z,12.6,14.5\n"
    )
    lake = Lake(tmp_path / "lake")
    lake.take_in(
        [
            Delivery("log.csv", "a" * 64, 1, Parsed("harvest log", readings=log, rows_read=log.height)),
            Delivery("tickets.csv", "b" * 64, 1, tickets),
        ]
    )
    assert lake.scan("load_tickets").collect()["mass_kg"].to_list() == pytest.approx([12_600, 12_600])
    found = weighed_loads(lake, Farm())
    assert found.of("Combine A", "wheat").factor == pytest.approx(1.05)
    assert found.of("Combine A", "barley") is None
    (sentence,) = found.sentences()
    assert sentence.startswith(
        "Combine A, wheat: Grain flow is multiplied by 1.050, from 2 weighed loads; single loads differ from it by"
    )
    assert lake.check() == []
    lake.retract("tickets.csv")
    assert weighed_loads(lake, Farm()).of("Combine A", "wheat") is None
