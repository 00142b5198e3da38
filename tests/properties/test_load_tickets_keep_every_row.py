"""Every row of a list of loads is kept or set aside, whatever stands in it, and calibration takes what is kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from chaffinch.pipelines.agronomy.load_tickets import calibrate_flow, weigh_loads
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.validate import apply_rules
from chaffinch.schemas.tables import tables
from hypothesis import given, settings
from hypothesis import strategies as st

START = datetime(2026, 8, 3, 8, 0, tzinfo=UTC)
LOG = pl.DataFrame(
    {
        "time": [START + timedelta(seconds=10 * k) for k in range(720)],
        "grain_flow_kg_s": [10.0] * 720,
        "grain_moisture_pct": [15.0] * 720,
        "crop": ["wheat"] * 720,
    },
    schema_overrides={"time": pl.Datetime("us", "UTC")},
)

moment = st.one_of(
    st.integers(-60, 200).map(lambda m: (START + timedelta(minutes=m)).strftime("%Y-%m-%dT%H:%MZ")),
    st.sampled_from(["", "soon", "2026-13-40", "-1", "1e9", "08:00"]),
)
mass = st.one_of(
    st.floats(-1e6, 1e9, allow_nan=False).map(repr),
    st.sampled_from(["", "nan", "inf", "-inf", "12000", "9 t", "1e400", "0x10", "٣"]),
)
moisture = st.one_of(st.floats(-10, 120).map(repr), st.sampled_from(["", "wet", "15"]))
name = st.sampled_from(["A", "A", "B", "", "\x07", "=1+1"])
row = st.tuples(name, moment, moment, mass, moisture)


@pytest.mark.seconds
@settings(max_examples=40, deadline=None)
@given(st.lists(row, min_size=1, max_size=8))
def test_rows_of_tickets_are_never_lost(rows):
    text = "machine,from,to,mass kg,moisture %\n" + "".join(",".join(r) + "\n" for r in rows)
    try:
        parsed = apply_rules(read(from_bytes("tickets.csv", text.encode()), Farm(), []))
    except UnreadableFile as error:
        assert str(error)
        return
    kept = parsed.load_tickets if parsed.load_tickets is not None else tables()["load_tickets"].empty()
    aside = set() if parsed.set_aside is None else set(parsed.set_aside["row"].to_list())
    assert parsed.rows_read == len(rows)
    assert not aside & set(kept["row"].to_list() if kept.height else [])
    assert kept.height + len(aside) == parsed.rows_read
    if kept.height:
        tickets = tables()["load_tickets"].conform(kept)
        assert (tickets["end_time"] > tickets["time"]).all()
        assert tickets["mass_kg"].is_between(0, 100_000, closed="right").all()
        for (_,), mine in tickets.group_by("machine"):
            for found in calibrate_flow(weigh_loads(LOG, mine)).values():
                assert 0.5 <= found.factor <= 2.0
