"""`chaffinch export work`: every reading of the lake once, with its class and its reason."""

from __future__ import annotations

from pathlib import Path

import polars as pl
from chaffinch.pipelines.command_line.program import run
from chaffinch.schemas.declarations import reasons

SECONDS = 900


def log() -> str:
    """Passes of 140 s at 2 m/s to and fro, 8 m apart, turns of 20 s, one wild speed."""
    rows = ["time,machine,field,crop,latitude,longitude,speed_m_s,working,working_width_m,grain_flow_kg_s"]
    for second in range(SECONDS):
        nth, into = divmod(second, 160)
        along = min(into, 140) * 2.0
        north = along if nth % 2 == 0 else 280 - along
        working = into < 140
        flow = 9.0 if (second - 12) % 160 < 140 and second >= 12 else 0.0
        speed = 6.0 if second == 80 else 2.0
        moment = f"2026-08-03T10:{second // 60:02}:{second % 60:02}Z"
        east = nth * 8.0 / 68_500
        rows.append(
            f"{moment},A,Mill,wheat,{52 + north / 111_195:.8f},{13 + east:.8f},{speed},{int(working)},9,{flow}"
        )
    return "\n".join(rows) + "\n"


def test_every_reading_is_there_once_with_its_reason(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "log.csv").write_text(log())
    lake, out = str(tmp_path / "lake"), tmp_path / "work.parquet"
    assert run(["ingest", str(tmp_path / "inbox"), "--lake", lake]) == 0
    assert run(["export", "work", "--lake", lake, "--to", str(out)]) == 0
    work = pl.read_parquet(out)
    assert work["row"].sort().to_list() == list(range(2, SECONDS + 2))
    assert ((work["usable"] == 1) == work["unused_because"].is_null()).all()
    result = work.drop_nulls("unused_because")
    assert result["reason"].to_list() == [reasons()[code].sentence for code in result["unused_because"]]
    assert work.filter(pl.col("row") == 82)["unused_because"].to_list() == ["speed_outlier"]
    # The second pass lies 8 m from the first one; 1 m of its 9 m header is over stubble.
    second = work.filter(pl.col("usable") == 1, pl.col("pass_number") == 2)
    assert abs(second["effective_width_m"].median() - 8.0) < 0.05


def test_it_is_written_for_spreadsheets_too(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "log.csv").write_text(log())
    lake = str(tmp_path / "lake")
    assert run(["ingest", str(tmp_path / "inbox"), "--lake", lake]) == 0
    for ending in ("csv", "xlsx"):
        assert run(["export", "work", "--lake", lake, "--to", str(tmp_path / f"work.{ending}")]) == 0
    assert pl.read_csv(tmp_path / "work.csv").height == SECONDS
    assert (tmp_path / "work.xlsx").stat().st_size > 20_000
