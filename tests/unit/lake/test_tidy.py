"""Putting small files together and clearing away old ones harms no reader and changes no content."""

from __future__ import annotations

import hashlib
import json
import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.estimate.derived_tables import refresh_jobs
from chaffinch.pipelines.lake import Delivery, Lake, delta
from chaffinch.pipelines.lake.freshness import inputs_of_effects
from chaffinch.pipelines.lake.seal import SEAL_FILE
from chaffinch.pipelines.parsed import Parsed
from chaffinch.schemas.tables import tables
from deltalake import DeltaTable

START = datetime(2026, 7, 20, 8, tzinfo=UTC)


def delivery(number: int) -> Delivery:
    frame = pl.DataFrame({"row": [2], "time": [START + timedelta(hours=number)], "speed_m_s": [1.5]})
    parsed = Parsed(
        "harvest log", readings=frame.with_columns(machine=pl.lit("A"), field=pl.lit("F")), rows_read=1
    )
    return Delivery(f"{number}.csv", hashlib.sha256(str(number).encode()).hexdigest(), 1, parsed)


@pytest.mark.seconds
def test_small_files_become_one_and_readers_notice_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delta, "MOST_FILES", 4)
    lake = Lake.open(tmp_path / "lake")
    for number in range(6):
        lake.take_in([delivery(number)])
    ledger = tmp_path / "lake" / "deliveries"
    assert len(DeltaTable(ledger).file_uris()) == 6
    opened = DeltaTable(ledger)
    reader = pl.scan_delta(opened)
    before = lake.digest()
    files = set(ledger.glob("*.parquet"))
    refresh_jobs(lake, lake.farm())
    lake.replace_effects(tables()["effects"].empty(), inputs_of_effects(lake))
    assert len(DeltaTable(ledger).file_uris()) == 1
    assert lake.digest() == before and lake.check() == []
    # What a reader had open is still there, and stays for a week.
    assert files <= set(ledger.glob("*.parquet"))
    assert reader.collect().height == 6
    # The next commit goes on from there.
    lake.take_in([delivery(6)])
    assert lake.ledger().height == 7 and lake.scan("readings").collect().height == 7


def test_files_are_kept_for_a_week(tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    lake.take_in([delivery(1), delivery(2)])
    lake.strike([delivery(1).id])
    stored = tmp_path / "lake" / "readings"
    files = set(stored.rglob("*.parquet"))
    lake.delta.tidy()
    assert set(stored.rglob("*.parquet")) == files
    assert lake.scan("readings").collect().height == 1


def age(table: Path, days: float) -> None:
    """As if every file of a table, and every record of what was taken out, were so many days older."""
    # What is older now is not what was noted.
    (table.parent / SEAL_FILE).unlink(missing_ok=True)
    for commit in (table / "_delta_log").glob("*.json"):
        actions = [json.loads(line) for line in commit.read_text().splitlines()]
        for action in actions:
            if "remove" in action:
                action["remove"]["deletionTimestamp"] -= round(days * 86_400_000)
        commit.write_text("".join(f"{json.dumps(action)}\n" for action in actions))
    for file in table.rglob("*.parquet"):
        moment = time.time() - days * 86_400
        os.utime(file, (moment, moment))


def with_leftovers(tmp_path: Path) -> tuple[Lake, Path, set[Path]]:
    """Two deliveries, one of them taken out again, and a file that a killed run left; the files that count."""
    lake = Lake.open(tmp_path / "lake")
    lake.take_in([delivery(1), delivery(2)])
    lake.strike([delivery(1).id])
    stored = tmp_path / "lake" / "readings"
    counting = {Path(uri.removeprefix("file://")) for uri in DeltaTable(stored).file_uris()}
    (stored / "left by a killed run.parquet").write_bytes(b"half a file")
    return lake, stored, counting


def test_what_nothing_refers_to_goes_after_a_week(tmp_path: Path) -> None:
    lake, stored, counting = with_leftovers(tmp_path)
    assert len(set(stored.rglob("*.parquet"))) == 3
    age(stored, 7.1)
    lake.delta.tidy()
    # What counts stays, however old it is.
    assert set(stored.rglob("*.parquet")) == counting
    assert lake.scan("readings").collect().height == 1 and lake.check() == []


def test_nothing_goes_before_that(tmp_path: Path) -> None:
    lake, stored, _ = with_leftovers(tmp_path)
    files = set(stored.rglob("*.parquet"))
    age(stored, 6.9)
    lake.delta.tidy()
    assert set(stored.rglob("*.parquet")) == files


@pytest.mark.seconds
def test_readers_of_every_engine_read_on_through_compaction_and_clearing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened before, read from after: in one go, and half before and half after."""
    import duckdb

    monkeypatch.setattr(delta, "MOST_FILES", 4)
    lake = Lake.open(tmp_path / "lake")
    for number in range(12):
        lake.take_in([delivery(number)])
    ledger = tmp_path / "lake" / "deliveries"
    opened = DeltaTable(ledger)
    by_polars = pl.scan_delta(opened)
    batches = iter(opened.to_pyarrow_dataset().to_batches(batch_readahead=0, fragment_readahead=1))
    names = next(batches)["name"].to_pylist()
    engine = duckdb.connect()
    engine.register("ledger", opened.to_pyarrow_dataset())
    by_lake = lake.scan("readings")

    refresh_jobs(lake, lake.farm())
    lake.replace_effects(tables()["effects"].empty(), inputs_of_effects(lake))
    # Half a week later a night clears away again.
    age(ledger, 3.5)
    lake.strike([delivery(0).id])
    refresh_jobs(lake, lake.farm())
    lake.replace_effects(tables()["effects"].empty(), inputs_of_effects(lake))
    assert len(DeltaTable(ledger).file_uris()) == 1

    expected = sorted(f"{number}.csv" for number in range(12))
    assert sorted(by_polars.collect()["name"]) == expected
    assert sorted(names + [name for batch in batches for name in batch["name"].to_pylist()]) == expected
    assert engine.sql("SELECT count(DISTINCT name) FROM ledger").fetchall() == [(12,)]
    assert by_lake.collect().height == 12
    assert lake.ledger().height == 11 and lake.check() == []
