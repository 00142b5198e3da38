"""Files that harm their reader: each ends in seconds, with a sentence where it can't be read.

All are smaller than 1 MB. The time is that of this process and its children, so that other work does not count.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import subprocess
import zipfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.inbox.discover import single_file
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.plan import read_one
from chaffinch.pipelines.night.run import ingest_inbox
from chaffinch.pipelines.parallel import bounded
from chaffinch.pipelines.parallel.children import stop_child

HEADER = "time,machine,field,crop,speed_m_s,grain_flow_kg_s,cleaning_loss_signal,grain_moisture_pct"
ROWS = [
    f"2026-07-20T08:{i // 60 % 60:02d}:{i % 60:02d}Z,Combine A,Mill Field,wheat,1.{i % 9},6.{i % 8},9,14"
    for i in range(9000)
]
CHANCE = random.Random(21)
LONGEST_S, LARGEST_BYTES = 10.0, 1 << 20


def csv(header: str, rows: list[str]) -> bytes:
    return "\n".join([header, *rows, ""]).encode()


def ring(points: int) -> bytes:
    """A polygon whose sides cross each other everywhere."""
    corners = [[round(CHANCE.random(), 6), round(CHANCE.random(), 6)] for _ in range(points)]
    geometry = {"type": "Polygon", "coordinates": [[*corners, corners[0]]]}
    return json.dumps({"type": "Feature", "properties": {"field": "A"}, "geometry": geometry}).encode()


def packed(members: dict[str, bytes], how: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", how) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def damaged(content: bytes) -> bytes:
    spoilt = bytearray(content)
    for _ in range(30):
        spoilt[CHANCE.randrange(40, len(spoilt) - 300)] = CHANCE.randrange(256)
    return bytes(spoilt)


def task_data(body: str) -> bytes:
    begin = '<ISO11783_TaskData VersionMajor="3" VersionMinor="3" DataTransferOrigin="1">'
    return packed({"TASKDATA/TASKDATA.XML": f"{begin}{body}</ISO11783_TaskData>".encode()})


def parquet(frame: pl.DataFrame) -> bytes:
    stream = io.BytesIO()
    frame.write_parquet(stream, compression="zstd")
    return stream.getvalue()


def same_row_many_times(rows: int) -> pl.DataFrame:
    names = {"machine": "Combine A", "speed_m_s": 1.5, "grain_flow_kg_s": 6.0}
    repeated = [pl.repeat(value, rows, eager=True).alias(name) for name, value in names.items()]
    return pl.DataFrame([pl.repeat(datetime(2026, 7, 20, 8), rows, eager=True).alias("time"), *repeated])


def changes(setting: str, unit: str) -> bytes:
    rows = [f"2026-07-20T08:00:00Z,A,{setting},{i},{unit}".replace("#", str(i)) for i in range(18_000)]
    return csv("time,machine,setting,to_value,unit", rows)


def notes(lines: int) -> bytes:
    return csv("date;time;machine;note", [f"2026-07-20;08:00;A;{'fan up 5 and ' * 30}"] * lines)


def sparse_workbook() -> bytes:
    """A log, and one cell far to the right of it."""
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream) as book:
        sheet = book.add_worksheet()
        for number, row in enumerate([HEADER, *ROWS[:1200]]):
            sheet.write_row(number, 0, row.split(","))
        sheet.write(1200, 16_383, "x")
    return stream.getvalue()


SQUARE = "".join(f'<PNT A="2" C="{n}" D="{e}"/>' for n, e in ((1, 1), (1, 1.01), (1.01, 1.01)))
FIELD = f'<PFD A="PFD#" C="F#"><PLN A="1"><LSG A="1">{SQUARE}</LSG></PLN></PFD>'
# What each is, and a part of what is said of it; nothing where it can be read.
BOMBS: dict[str, tuple[Callable[[], bytes], str]] = {
    "deep.toml": (lambda: b"units = " + b"[" * 100_000, "nested too deeply"),
    "deep_tables.toml": (lambda: b"[prices" + b".a" * 50_000 + b"]\n", "prices.a is not an entry"),
    "digits.toml": (lambda: b"[prices]\nmachine_per_h = " + b"9" * 5000, "thousands of digits"),
    "deep.geojson": (lambda: b'{"type":"FeatureCollection","features":' + b"[" * 200_000, "not valid"),
    "digits.geojson": (lambda: b'{"type":"Polygon","coordinates":[[[' + b"9" * 5000 + b",1]]]}", "not valid"),
    "half_a_character.geojson": (lambda: ring(4).replace(b'"A"', b'"A\\ud800"'), ""),
    "crossing.geojson": (lambda: ring(400), ""),
    "crossing_everywhere.geojson": (lambda: ring(20_000), ""),
    "blank_headers.csv": (lambda: csv(HEADER + "," * 19_000, [f"{row}{',' * 19_000}" for row in ROWS[:20]]), ""),
    "equal_headers.csv": (lambda: csv(HEADER + ",z" * 19_900, [ROWS[0] + ",1" * 19_900]), ""),
    "rows_to_fill_up.csv": (lambda: csv(HEADER + "," * 19_000, ROWS), "no row below it (9,000 rows in all)"),
    "long_header.csv": (lambda: csv(f"{HEADER},speed{' ' * 300_000}x", [f"{ROWS[0]},1"]), ""),
    "long_preamble.csv": (lambda: csv("\n".join([" " * 9000 + "a" * 9] * 99 + [HEADER]), ROWS[:9]), ""),
    "quotes.csv": (lambda: csv(HEADER, ['"'] * 400_000), ""),
    "machines.csv": (lambda: csv(HEADER, [r.replace("e A", f"e {i}") for i, r in enumerate(ROWS)]), "machines"),
    "settings.csv": (lambda: changes("odd # thing", "rpm"), "more than any farm has"),
    "units.csv": (lambda: changes("fan speed", "u#"), "more than any farm has"),
    "notes.csv": (lambda: notes(250), ""),
    "too_many_notes.csv": (lambda: notes(2500), "more than any notebook"),
    "sparse.xlsx": (sparse_workbook, ""),
    "zeros.csv.gz": (lambda: gzip.compress(bytes(300 << 20)), "more than 200 times its size"),
    "lzma.zip": (lambda: damaged(packed({"a.csv": csv(HEADER, ROWS)}, zipfile.ZIP_LZMA)), "damaged"),
    "members.zip": (lambda: packed({f"{i}.csv": b"" for i in range(7000)}), "The file is empty"),
    "elements.zip": (lambda: task_data("<PFD/>" * 900_000), ""),
    "fields.zip": (lambda: task_data("".join(FIELD.replace("#", str(i)) for i in range(20_000))), "fields"),
    "rows.parquet": (lambda: parquet(same_row_many_times(20_000_000)), "more than any log has"),
    "long_texts.parquet": (
        lambda: parquet(same_row_many_times(40_000).with_columns(machine=pl.lit("A" * 20_000))),
        "more than 320 MiB",
    ),
    "torn.parquet": (lambda: damaged(parquet(same_row_many_times(9000))), ""),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_ends_in_seconds_as_a_sentence(name: str, tmp_path: Path) -> None:
    make, said = BOMBS[name]
    (tmp_path / name).write_bytes(make())
    assert (tmp_path / name).stat().st_size < LARGEST_BYTES
    before = used_s()
    found = [read_one(file, Farm(), []) for file in single_file(tmp_path / name)]
    assert used_s() - before < LONGEST_S
    for parsed, reason in found:
        assert said in reason
        assert "unexpectedly" not in reason
        assert (parsed is None) == bool(reason)


def used_s() -> float:
    # The time of a child counts once it has ended.
    while bounded._idle:
        stop_child(bounded._idle.pop())
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


@pytest.mark.seconds
def test_every_type_of_parquet_is_read(tmp_path: Path) -> None:
    """Durations become seconds; nothing that stands in a column is lost."""
    frame = same_row_many_times(3).with_columns(
        time=pl.Series([datetime(2026, 7, 20, 8, 0, i) for i in range(3)]),
        waited=pl.Series([timedelta(seconds=1.5)] * 3),
        at=pl.Series([datetime(2026, 7, 20, 8).time()] * 3),
        parts=pl.Series([[1, 2]] * 3),
        pair=pl.Series([{"a": 1}] * 3),
        raw=pl.Series([b"\xff"] * 3),
        nothing=pl.Series([None] * 3),
        price=pl.Series(["1.50"] * 3).cast(pl.Decimal(9, 2)),
        word=pl.Series(["a", "b", "a"]).cast(pl.Categorical),
    )
    (tmp_path / "log.parquet").write_bytes(parquet(frame))
    (file,) = single_file(tmp_path / "log.parquet")
    parsed, reason = read_one(file, Farm(), [])
    assert reason == "" and parsed is not None and parsed.readings is not None
    kept = json.loads(parsed.readings["other"][0])
    assert float(kept["waited"]) == 1.5
    assert kept["at"].startswith("08:00:00") and kept["raw"] == "ff" and kept["price"] == "1.50"


@pytest.fixture
def deep_inbox(tmp_path: Path) -> Iterator[Path]:
    """An inbox with a log in 1,500 nested folders, which Python itself can't remove."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    here = os.getcwd()
    try:
        os.chdir(inbox)
        for _ in range(1500):
            os.mkdir("d")
            os.chdir("d")
        Path("day.csv").write_bytes(csv(HEADER, ROWS[99:108]))
        os.chdir(here)
        yield inbox
    finally:
        os.chdir(here)
        subprocess.run(["rm", "-rf", str(inbox)], check=True)


def test_folders_however_deep(deep_inbox: Path, tmp_path: Path) -> None:
    (deep_inbox / "sound.csv").write_bytes(csv(HEADER, ROWS[:99]))
    lake = Lake.open(tmp_path / "lake")
    assert ingest_inbox(deep_inbox, lake).files == 2
    assert lake.scan("readings").collect().height == 99 + 9


def test_a_lake_and_pages_in_the_inbox_are_no_data(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "sound.csv").write_bytes(csv(HEADER, ROWS[:99]))
    call = ["nightly", str(inbox), "--lake", str(inbox / "our lake"), "--site", str(inbox / "site"), "--json"]
    for _ in range(2):
        run(call)
        assert json.loads(capsys.readouterr().out)["ingest"]["files"] == 1
    # Only what is ours is left out there.
    (inbox / "site" / "late.csv").write_bytes(csv(HEADER, ROWS[99:150]))
    run(call)
    assert json.loads(capsys.readouterr().out)["ingest"]["files"] == 2
