"""The lake against a plain dictionary, whatever is taken in, corrected and retracted, in any order."""

from __future__ import annotations

import hashlib
import tempfile
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.lake import Delivery, Lake
from chaffinch.pipelines.parsed import Parsed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

START = datetime(2026, 7, 20, 8, tzinfo=UTC)
NAMES = ("a.csv", "deep/b.csv", "ü; DROP'.csv")
SLOW = settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)

# A content is described by its version: how many rows it has and how many of them are set aside.
Versions = st.integers(0, 4)
Steps = st.lists(
    st.tuples(st.sampled_from(["take in", "retract", "killed"]), st.sampled_from(NAMES), Versions), max_size=7
)


def parsed(version: int, shift_s: int = 0) -> Parsed:
    kept, aside = 3 * version, version % 3
    frame = pl.DataFrame(
        {
            "row": pl.Series(range(2, kept + 2), dtype=pl.Int64),
            "time": pl.Series(
                [START + timedelta(seconds=shift_s + i) for i in range(kept)], dtype=pl.Datetime("us", "UTC")
            ),
            "speed_m_s": pl.Series([version + i / 7 for i in range(kept)], dtype=pl.Float64),
        }
    ).with_columns(machine=pl.lit("Combine A"), field=pl.lit("Mill Field"))
    rejected = pl.DataFrame({"row": pl.Series(range(100, 100 + aside), dtype=pl.Int64)}).with_columns(
        rule=pl.lit("bad_time"),
        column=pl.lit("time"),
        value=pl.lit("?"),
        sentence=pl.lit("?"),
        content=pl.lit("{}"),
        row_kept=pl.lit(False),
    )
    return Parsed("harvest log", readings=frame, set_aside=rejected, rows_read=kept + aside)


def delivery(name: str, version: int, replaces: tuple[str, ...] = ()) -> Delivery:
    sha256 = hashlib.sha256(f"{name} {version}".encode()).hexdigest()
    return Delivery(name, sha256, version, parsed(version), replaces=replaces)


def rows_of(lake: Lake) -> tuple[dict[str, int], dict[str, int]]:
    """Rows by file in ``readings`` and in ``set_aside``."""
    counted = [lake.scan(t).group_by("file").len().collect().rows() for t in ("readings", "set_aside")]
    return dict(counted[0]), dict(counted[1])


@pytest.mark.seconds
@SLOW
@given(Steps)
def test_the_lake_holds_what_a_dictionary_would(steps: list[tuple[str, str, int]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        lake = Lake.open(Path(folder) / "lake")
        expected: dict[str, int] = {}
        retracted: set[str] = set()
        for what, name, version in steps:
            if what == "take in":
                one = delivery(name, version)
                earlier = [d for d, n in lake.ledger().select("delivery", "name").iter_rows() if n == name]
                lake.take_in([delivery(name, version, tuple(d for d in earlier if d != one.id))])
                expected[name] = version
                retracted.discard(name)
            elif what == "retract" and name in expected and name not in retracted:
                lake.retract(name)
                retracted.add(name)
            elif what == "killed":
                # Rows whose ledger entry never came: what a run leaves that dies between the two.
                left = delivery(f"left {name}", 1)
                with lake.writing():
                    frame = parsed(1).readings
                    assert frame is not None
                    source = (pl.lit(left.id).alias("delivery"), pl.lit(left.name).alias("file"))
                    lake.delta.put("readings", [left.id], [frame.with_columns(source).pipe(_conform)])
        counts = {name: version for name, version in expected.items() if name not in retracted}
        readings, aside = rows_of(lake)
        assert readings == {name: 3 * v for name, v in counts.items() if v}
        assert aside == {name: v % 3 for name, v in counts.items() if v % 3}
        assert set(lake.ledger()["name"]) == set(expected)
        with lake.writing():
            pass
        assert lake.check() == []


def _conform(frame: pl.DataFrame) -> pl.DataFrame:
    from chaffinch.schemas.tables import tables

    return tables()["readings"].conform(frame)


def four_files() -> list[Delivery]:
    return [delivery(f"{i}.csv", i + 1) for i in range(4)]


@cache
def digest_in_one_go() -> str:
    with tempfile.TemporaryDirectory() as folder:
        lake = Lake.open(Path(folder) / "lake")
        lake.take_in(four_files())
        return lake.digest()


@pytest.mark.seconds
@SLOW
@given(st.permutations([0, 1, 2, 3]), st.lists(st.integers(1, 3), min_size=4, max_size=4))
def test_order_and_batches_do_not_show(order: list[int], sizes: list[int]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        lake = Lake.open(Path(folder) / "lake")
        waiting = [four_files()[i] for i in order]
        while waiting:
            size = sizes.pop()
            lake.take_in(waiting[:size])
            waiting = waiting[size:]
        assert lake.digest() == digest_in_one_go()


@pytest.mark.seconds
@SLOW
@given(st.integers(0, 15), st.integers(0, 15), st.integers(1, 4), st.integers(1, 4))
def test_overlapping_files_give_each_moment_once(shift_a: int, shift_b: int, a: int, b: int) -> None:
    def shifted(name: str, version: int, shift_s: int) -> Delivery:
        sha256 = hashlib.sha256(name.encode()).hexdigest()
        return Delivery(name, sha256, 1, parsed(version, shift_s))

    with tempfile.TemporaryDirectory() as folder:
        lake = Lake.open(Path(folder) / "lake")
        lake.take_in([shifted("b.csv", b, shift_b), shifted("a.csv", a, shift_a)])
        found = lake.readings("Combine A", "Mill Field")
    expected: dict[datetime, float] = {}
    for version, shift_s in ((a, shift_a), (b, shift_b)):  # the first file by name goes first
        for i in range(3 * version):
            expected.setdefault(START + timedelta(seconds=shift_s + i), version + i / 7)
    assert found["time"].to_list() == sorted(expected)
    assert dict(found.select("time", "speed_m_s").iter_rows()) == expected
