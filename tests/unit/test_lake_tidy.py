"""Putting small files together and clearing away old ones harms no reader and changes no content."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.lake import Delivery, Lake, delta
from chaffinch.pipelines.lake.inputs import inputs_of_effects
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
