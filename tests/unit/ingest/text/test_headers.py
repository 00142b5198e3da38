"""What a column is: names, synonyms, units in the header, two columns for one thing."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.text.headers import match_columns, recognise
from chaffinch.schemas.declarations import channels, settings


@pytest.mark.parametrize(
    ("header", "target", "unit"),
    [
        ("Speed (km/h)", "speed_m_s", "km/h"),
        ("speed_mph", "speed_m_s", "mph"),
        ("Ground Speed [mph]", "speed_m_s", "mph"),
        ("speed_km_h", "speed_m_s", "km/h"),
        ("SPEED, km/h", "speed_m_s", "km/h"),
        ("Moisture [%]", "grain_moisture_pct", "%"),
        ("moisture %", "grain_moisture_pct", "%"),
        ("Mass Flow(lb/s)", "grain_flow_kg_s", "lb/s"),
        ("grain flow t/h", "grain_flow_kg_s", "t/h"),
        ("fan_speed rpm", "fan_speed", None),
        ("fan_speed_rpm", "fan_speed", None),
        ("Fan speed (rpm)", "fan_speed", "rpm"),
        ("elev_ft", "altitude_m", "ft"),
        ("pitch %", "pitch_deg", "%"),
        ("rotor loss", "separation_loss_signal", None),
        ("rotor loss (kg/s)", "separation_loss_kg_s", "kg/s"),
        ("Sieve loss [%]", "cleaning_loss_signal", "%"),
        ("Timestamp", "time", None),
        ("time_utc", "time", None),
        ("Time (Europe/Berlin)", "time", "Europe/Berlin"),
        ("Combine", "machine", None),
        ("engine temperature (°C)", "", None),
    ],
)
def test_header(header, target, unit):
    found = recognise(header)
    assert (found.target, found.unit) == (target, unit)


def test_every_canonical_name_is_recognised_as_itself():
    wrong = [c for c in channels() if (recognise(c).kind, recognise(c).target) != ("channel", c)]
    wrong += [s.column for s in settings().values() if recognise(s.column).target != s.name]
    assert wrong == []


def test_every_synonym_leads_to_its_own_channel_or_setting():
    wrong = []
    for entry in (*channels().values(), *settings().values()):
        wrong += [(s, entry.name) for s in entry.synonyms if recognise(s).target != entry.name]
    assert wrong == []


def test_the_canonical_name_wins_over_a_synonym():
    matched = match_columns("a.csv", ["Speed (km/h)", "speed_m_s"], FileColumns())
    assert [(m.kind, m.target) for m in matched] == [("none", ""), ("channel", "speed_m_s")]
    assert matched[0].note == "Column 'Speed (km/h)' is kept unread, because 'speed_m_s' gives speed_m_s."


def test_the_set_value_wins_over_the_actual_value():
    matched = match_columns("a.csv", ["fan speed actual", "Fan speed set"], FileColumns())
    assert [m.target for m in matched] == ["", "fan_speed"]


def test_two_equal_claims_are_refused_with_the_line_to_write():
    with pytest.raises(UnreadableFile) as caught:
        match_columns("day/a.csv", ["time", "Speed (km/h)", "Velocity"], FileColumns())
    assert caught.value.reason == (
        "Columns 'Speed (km/h)' (column 2) and 'Velocity' (column 3) both look like speed_m_s; say in "
        'farm.toml which to leave out: [columns."a.csv"] names = { "Velocity" = "ignore" }.'
    )


def test_that_line_settles_it():
    stated = FileColumns.model_validate({"names": {"Velocity": "ignore"}})
    matched = match_columns("a.csv", ["time", "Speed (km/h)", "Velocity"], stated)
    assert [m.target for m in matched] == ["time", "speed_m_s", ""]


def test_farm_toml_wins_over_the_header():
    stated = FileColumns.model_validate({"names": {"mass": {"is": "grain_flow_kg_s", "unit": "lb/s"}}})
    (found,) = match_columns("a.csv", ["mass"], stated)
    assert (found.target, found.unit, found.rank) == ("grain_flow_kg_s", "lb/s", 0)
