"""A log written in any common way is read back equal, and broken input never loses a row."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import parse_farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.parsed import rows_aside
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

COUNT = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

# Factor from the channel's unit to the unit written; exact factors as in tests/unit/test_units.py.
SPEEDS = {
    "speed_m_s": 1.0,
    "Speed (km/h)": 3.6,
    "speed_mph": 1 / 0.44704,
    "Ground speed [ft/min]": 60 / 0.3048,
}
FLOWS = {"grain_flow_kg_s": 1.0, "Grain flow (t/h)": 3.6, "mass flow lb/s": 1 / 0.45359237}
ALTITUDES = {"altitude_m": 1.0, "elev_ft": 1 / 0.3048}
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "windows-1252"]
TIME_FORMS = {
    "%Y-%m-%dT%H:%M:%SZ": "UTC",
    "%Y-%m-%d %H:%M:%S": "Europe/Berlin",
    "%d.%m.%Y %H:%M:%S": "Europe/Berlin",
    "%Y%m%d%H%M%S": "Europe/Berlin",
}
MISSING = ["", "n/a", "-", "NaN"]

number = st.floats(0, 50, allow_nan=False).map(lambda v: round(v, 4))
cell = st.one_of(st.none(), number)
name = st.text(st.characters(codec="windows-1252", categories=("L", "N", "P", "S", "Zs")), max_size=12)


@st.composite
def logs(draw):
    return {
        "rows": draw(st.lists(st.tuples(cell, cell, cell, name), min_size=1, max_size=12)),
        "start": draw(st.datetimes(datetime(2000, 1, 1), datetime(2090, 1, 1))).replace(
            microsecond=0, tzinfo=UTC
        ),
        "separator": draw(st.sampled_from(",;\t|")),
        "comma": draw(st.booleans()),
        "encoding": draw(st.sampled_from(ENCODINGS)),
        "line_end": draw(st.sampled_from(["\n", "\r\n"])),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "speed": draw(st.sampled_from(list(SPEEDS))),
        "flow": draw(st.sampled_from(list(FLOWS))),
        "altitude": draw(st.sampled_from(list(ALTITUDES))),
        "time": draw(st.sampled_from(list(TIME_FORMS))),
        "missing": draw(st.sampled_from(MISSING)),
    }


def written(log):
    """The bytes of the log, its numbers in the units and the decimal mark it is written with."""
    stream = io.StringIO()
    writer = csv.writer(
        stream, delimiter=log["separator"], lineterminator=log["line_end"], quoting=log["quoting"]
    )
    writer.writerow(["time", "machine", log["speed"], log["flow"], log["altitude"], "remark"])
    factors = (SPEEDS[log["speed"]], FLOWS[log["flow"]], ALTITUDES[log["altitude"]])
    zone = ZoneInfo(TIME_FORMS[log["time"]])
    for i, (*values, remark) in enumerate(log["rows"]):
        time = (log["start"] + timedelta(seconds=i)).astimezone(zone).strftime(log["time"])
        # Twelve decimals: never taken for thousands, and exact enough to compare.
        texts = [
            log["missing"] if v is None else f"{v * f:.12f}" for v, f in zip(values, factors, strict=True)
        ]
        if log["comma"]:
            texts = [t.replace(".", ",") for t in texts]
        writer.writerow([time, "Combine A", *texts, remark])
    return stream.getvalue().encode(log["encoding"])


FARM = parse_farm('time_zone = "Europe/Berlin"')


@pytest.mark.seconds
@COUNT
@given(logs())
def test_what_is_written_is_read(log):
    found = read(from_bytes("log.csv", written(log)), FARM, [])
    assert found.set_aside.height == 0
    rows = found.readings
    assert rows.height == found.rows_read == len(log["rows"])
    for column, values in zip(
        ("speed_m_s", "grain_flow_kg_s", "altitude_m"),
        zip(*(r[:3] for r in log["rows"]), strict=True),
        strict=True,
    ):
        assert rows[column].to_list() == pytest.approx(list(values), abs=1e-9)
    expected = [log["start"] + timedelta(seconds=i) for i in range(len(log["rows"]))]
    # A single second of wall-clock time in the repeated hour has nothing to tell its run by.
    ambiguous = any("comes twice" in note for note in found.notes)
    if not ambiguous:
        assert rows["time"].to_list() == expected


@pytest.mark.seconds
@COUNT
@given(
    st.lists(
        st.one_of(
            st.just("2026-08-01T10:00:00Z,A,1.5"),
            st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=30),
            st.text(',";\t\0 x1', max_size=12),
        ),
        max_size=12,
    )
)
def test_every_line_is_kept_or_set_aside_or_noted(lines):
    """Rows read are the lines that are neither blank nor the header again, unless quotes join lines."""
    header = "time,machine,speed_m_s"
    content = "\n".join([header, "2026-08-01T10:00:00Z,A,1.5", *lines]).encode()
    found = read(from_bytes("log.csv", content), FARM, [])
    kept, aside = set(found.readings["row"]), set(rows_aside(found.set_aside))
    assert not kept & aside
    assert found.rows_read == len(kept) + len(aside)
    if not any('"' in line for line in lines):
        stripped = "\n".join(lines).rstrip("\0").split("\n")
        full = {
            i
            for i, line in enumerate(stripped, start=3)
            if line.strip(' \t\x0c,"') and line.strip() != header
        }
        assert kept | aside == full | {2}


@COUNT
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_with_one_sentence(content):
    try:
        found = read(from_bytes("x", content), FARM, [])
    except UnreadableFile as refused:
        assert refused.reason.endswith(".")
        assert "Traceback" not in refused.reason
    else:
        assert found.kind in (
            "harvest log", "settings log", "loss checks", "load tickets", "boundaries", "farm", "picture"
        )  # fmt: skip


@COUNT
@given(
    st.binary(max_size=200), st.sampled_from([b"", b'{"type": "FeatureCollection", "features": [', b"PAR1"])
)
def test_any_bytes_behind_a_known_start(content, start):
    log = b"time,machine,speed_m_s\n2026-08-01T10:00:00Z,A,1\n"
    try:
        found = read(from_bytes("x", (start or log) + content), FARM, [])
    except UnreadableFile as refused:
        assert refused.reason.endswith(".")
    else:
        assert found.rows_read >= 1


CELLS = [
    "",
    "fan speed",
    "concave cover plates",
    "1080",
    "12,5",
    "open",
    "rpm",
    "mm",
    "°C",
    "A",
    "x",
    "NaN",
    "1e400",
]
TIMES = ["2026-08-01T10:00:00Z", "2026-10-25 02:30:00", "soon", "", "0"]
HEADERS = {
    "settings log": ["time", "machine", "setting", "to_value", "from_value", "unit"],
    "loss checks": ["time", "machine", "field", "kernels", "frame_area_m2", "machine_loss_kg_ha"],
}


@pytest.mark.seconds
@COUNT
@given(
    st.sampled_from(list(HEADERS)),
    st.lists(st.tuples(st.sampled_from(TIMES), *[st.sampled_from(CELLS)] * 5), min_size=1, max_size=10),
)
def test_settings_and_checks_of_any_content_lose_no_row(kind, rows):
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows([HEADERS[kind], *rows])
    try:
        found = read(from_bytes("log.csv", stream.getvalue().encode()), FARM, [])
    except UnreadableFile as refused:
        # Times that are all plain numbers count from nowhere.
        assert "count from an unknown start" in refused.reason
        return
    assert found.kind == kind
    table = found.adjustments if kind == "settings log" else found.loss_checks
    kept, aside = table["row"].to_list(), set(found.set_aside["row"])
    assert len(kept) == len(set(kept))
    assert not set(kept) & aside
    written_rows = {i for i, row in enumerate(rows, start=2) if any(row)}
    if "Line 2 holds the units of the columns." in found.notes:
        written_rows.discard(2)
    assert set(kept) | aside == written_rows
    assert table["time"].null_count() == 0
