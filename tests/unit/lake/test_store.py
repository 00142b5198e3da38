"""The lake: what counts, what replaces what, what a reader sees, what a check finds. Frames made by hand."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.errors import CallError, LakeError
from chaffinch.pipelines.estimate.derived_tables import refresh_jobs
from chaffinch.pipelines.lake import Delivery, Lake
from chaffinch.pipelines.parsed import Parsed
from chaffinch.schemas.tables import tables

START = datetime(2026, 7, 20, 8, tzinfo=UTC)


def log(
    seconds: int = 20,
    *,
    start: datetime = START,
    machine: str = "Combine A",
    field: str | None = "Mill Field",
    crop: str | None = "wheat",
    speed_m_s: float = 1.5,
    aside: int = 0,
    **columns: list[float],
) -> Parsed:
    """A harvest log with one reading a second, and ``aside`` more rows set aside."""
    readings = pl.DataFrame(
        {
            "row": range(2, seconds + 2),
            "time": [start + timedelta(seconds=i) for i in range(seconds)],
            "machine": [machine] * seconds,
            "field": [field] * seconds,
            "crop": [crop] * seconds,
            "speed_m_s": [speed_m_s] * seconds,
            **columns,
        }
    )
    rejected = pl.DataFrame(
        {
            "row": range(seconds + 2, seconds + 2 + aside),
            "rule": ["bad_time"] * aside,
            "column": ["time"] * aside,
            "value": ["noon"] * aside,
            "sentence": ["The time can't be read."] * aside,
            "content": ['{"time": "noon"}'] * aside,
            "row_kept": [False] * aside,
        },
        schema_overrides={"row": pl.Int64},
    )
    return Parsed("harvest log", readings=readings, set_aside=rejected, rows_read=seconds + aside)


def delivery(name: str, parsed: Parsed | None, content: str | None = None, **more: object) -> Delivery:
    sha256 = hashlib.sha256((content or name).encode()).hexdigest()
    return Delivery(name, sha256, 100, parsed, **more)  # type: ignore[arg-type]


@pytest.fixture
def lake(tmp_path: Path) -> Lake:
    return Lake.open(tmp_path / "lake")


def test_nothing_was_written_yet(lake: Lake) -> None:
    for name, table in tables().items():
        assert lake.scan(name).collect().schema == table.polars_schema()
    assert lake.machine_fields().height == 0
    assert lake.readings("Combine A", "Mill Field").height == 0
    assert lake.effects_inputs() is None
    assert not Path(lake.uri).exists(), "looking at a lake must not make one"


def test_rows_come_back_with_their_source(lake: Lake) -> None:
    lake.take_in([delivery("a/log.csv", log(20, aside=2))])
    readings = lake.scan("readings").collect()
    assert readings.height == 20
    assert readings["file"].unique().to_list() == ["a/log.csv"]
    assert readings["row"].to_list() == list(range(2, 22))
    aside = lake.scan("set_aside").collect()
    assert aside.select("file", "row", "rule", "value").rows() == [
        ("a/log.csv", 22, "bad_time", "noon"),
        ("a/log.csv", 23, "bad_time", "noon"),
    ]
    row = lake.ledger().row(0, named=True)
    assert (row["rows_read"], row["rows_kept"], row["rows_set_aside"]) == (22, 20, 2)
    assert row["status"] == "taken in with rows set aside"
    assert (row["first_time"], row["last_time"]) == (START, START + timedelta(seconds=19))
    assert row["machines"] == ["Combine A"] and row["fields"] == ["Mill Field"]


def test_any_delta_reader_reads_the_tables(lake: Lake) -> None:
    from deltalake import DeltaTable

    lake.take_in([delivery("log.csv", log(5))])
    table = DeltaTable(f"{lake.uri}/readings")
    assert table.metadata().partition_columns == ["delivery"]
    assert pl.DataFrame(table.to_pyarrow_table()).height == 5


def test_the_same_content_again_changes_nothing(lake: Lake) -> None:
    one = delivery("log.csv", log(20, aside=1))
    lake.take_in([one])
    before = lake.digest()
    lake.take_in([one])
    assert lake.digest() == before
    assert lake.scan("readings").collect().height == 20


def test_a_corrected_file_takes_the_place_of_the_earlier(lake: Lake, tmp_path: Path) -> None:
    earlier = delivery("log.csv", log(20, speed_m_s=99.0), "wrong")
    lake.take_in([earlier, delivery("other.csv", log(5, start=START + timedelta(days=1)))])
    right = delivery("log.csv", log(30), "right", replaces=(earlier.id,))
    lake.take_in([right])
    assert lake.scan("readings").filter(pl.col("file") == "log.csv").collect().height == 30
    assert lake.scan("readings").filter(pl.col("speed_m_s") > 50).collect().height == 0
    fresh = Lake.open(tmp_path / "fresh")
    fresh.take_in([delivery("other.csv", log(5, start=START + timedelta(days=1)))])
    fresh.take_in([delivery("log.csv", log(30), "right")])
    assert lake.digest() == fresh.digest()


def test_a_file_that_loses_all_its_rows_leaves_none_behind(lake: Lake) -> None:
    lake.take_in([delivery("log.csv", log(20, aside=3))])
    lake.take_in([delivery("log.csv", log(20))])
    assert lake.scan("set_aside").collect().height == 0


def test_an_unreadable_file_is_on_record(lake: Lake) -> None:
    lake.take_in([delivery("broken.bin", None, reason="It holds no table.")])
    row = lake.ledger().row(0, named=True)
    assert (row["status"], row["reason"], row["kind"]) == (
        "could not be read",
        "It holds no table.",
        "unknown",
    )


def test_digest_ignores_order_and_moment_but_no_value(tmp_path: Path) -> None:
    first, second = delivery("a.csv", log(20)), delivery("b.csv", log(7, machine="Combine B"))
    together, apart, other = (Lake.open(tmp_path / name) for name in ("together", "apart", "other"))
    together.take_in([first, second])
    apart.take_in([second])
    apart.take_in([first])
    other.take_in([first, delivery("b.csv", log(7, machine="Combine B", speed_m_s=1.5000001))])
    assert together.digest() == apart.digest()
    assert together.digest() != other.digest()


def test_readings_of_one_machine_in_one_field_in_order_of_time(lake: Lake) -> None:
    lake.take_in(
        [
            delivery("2.csv", log(10, start=START + timedelta(hours=1))),
            delivery("1.csv", log(10)),
            delivery("b.csv", log(10, machine="Combine B")),
            delivery("nowhere.csv", log(4, field=None)),
            delivery("nowhere next day.csv", log(3, field=None, start=START + timedelta(days=1))),
        ]
    )
    found = lake.readings("Combine A", "Mill Field")
    assert found.height == 20 and found["time"].is_sorted()
    assert lake.readings("Combine A", None).height == 7
    assert lake.readings("Combine A", None, date(2026, 7, 21)).height == 3
    assert lake.readings("Combine A", "Mill Field", columns=["speed_m_s"]).columns == ["speed_m_s"]
    assert lake.readings("Combine C", "Mill Field").height == 0


def test_readings_open_only_the_partitions_that_the_ledger_names(lake: Lake) -> None:
    other = delivery("b.csv", log(10, machine="Combine B"))
    lake.take_in([delivery("a.csv", log(10)), other])
    for file in (Path(lake.uri) / "readings" / f"delivery={other.id}").iterdir():
        file.write_bytes(b"nothing that could be read")
    assert lake.readings("Combine A", "Mill Field").height == 10


def test_files_that_overlap_give_each_moment_once(lake: Lake) -> None:
    flow = [float(i) for i in range(10)]
    lake.take_in(
        [
            delivery("day.csv", log(10)),
            delivery("longer.csv", log(10, start=START + timedelta(seconds=5), grain_flow_kg_s=flow)),
        ]
    )
    found = lake.readings("Combine A", "Mill Field")
    assert found["time"].to_list() == [START + timedelta(seconds=i) for i in range(15)]
    # Seconds 5 to 9 are in both: the speed is that of either, the flow only the longer file knows.
    assert found["grain_flow_kg_s"].to_list() == [None] * 5 + flow
    assert found["speed_m_s"].null_count() == 0
    assert lake.scan("readings").collect().height == 20, "both files stay in the lake as they are"


def test_readings_of_one_file_that_share_a_moment_all_stay(lake: Lake) -> None:
    parsed = log(4)
    assert parsed.readings is not None
    same = parsed.readings.with_columns(pl.lit(START).alias("time"))
    lake.take_in([delivery("five a second.csv", Parsed("harvest log", readings=same, rows_read=4))])
    assert lake.readings("Combine A", "Mill Field").height == 4


def test_machine_fields(lake: Lake) -> None:
    lake.take_in(
        [
            delivery("a.csv", log(10)),
            delivery("a later.csv", log(3, crop="barley", start=START + timedelta(days=2))),
            delivery("unnamed.csv", log(40, crop=None, start=START + timedelta(days=3))),
            delivery("n1.csv", log(5, field=None, crop=None, start=START + timedelta(days=4))),
            delivery("n2.csv", log(6, field=None, crop="oats", start=START + timedelta(days=5))),
        ]
    )
    rows = lake.machine_fields().select("machine", "field", "crop", "readings", "day").rows()
    assert rows == [
        ("Combine A", "Mill Field", "wheat", 53, None),
        ("Combine A", None, None, 5, date(2026, 7, 24)),
        ("Combine A", None, "oats", 6, date(2026, 7, 25)),
    ]


def test_a_lake_from_before_single_values_were_set_aside_is_read_and_goes_on(lake: Lake) -> None:
    """Its table ``set_aside`` lacks the column ``row_kept``: every row in it left whole."""
    from deltalake import write_deltalake

    lake.take_in([delivery("a.csv", log(aside=2))])
    stored = lake.scan("set_aside").drop("row_kept").collect()
    write_deltalake(
        f"{lake.uri}/set_aside", stored.to_arrow(), mode="overwrite", schema_mode="overwrite",
        partition_by=["delivery"],
    )  # fmt: skip
    assert lake.scan("set_aside").collect()["row_kept"].to_list() == [None, None]
    lake.take_in([delivery("b.csv", log(aside=1, start=START + timedelta(hours=1)))])
    assert sorted(lake.scan("set_aside").collect()["row_kept"].to_list(), key=str) == [0, None, None]
    assert not any("set_aside" in sentence for sentence in lake.check())


def test_names_in_data_never_become_paths(lake: Lake, tmp_path: Path) -> None:
    nasty = "../../outside'; DROP--"
    lake.take_in([delivery(nasty, log(3, machine=nasty, field=nasty))])
    assert lake.readings(nasty, nasty).height == 3
    assert {p.name for p in tmp_path.iterdir()} == {"lake"}
    for folder in (Path(lake.uri) / "readings").iterdir():
        assert folder.name == "_delta_log" or folder.name.removeprefix("delivery=").isalnum()


def test_a_hash_that_is_none_is_refused(lake: Lake) -> None:
    with pytest.raises(ValueError, match="not a SHA-256"):
        lake.take_in([Delivery("x.csv", "../../../../etc/passwd", 1, log(1))])


def test_a_table_that_does_not_exist(lake: Lake) -> None:
    with pytest.raises(CallError, match=r"no table 'reading'\. Tables are readings, adjustments"):
        lake.scan("reading")


def test_a_lake_that_must_exist(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="no lake in .*chaffinch ingest"):
        Lake.open(tmp_path / "none", must_exist=True)
    (tmp_path / "file").write_text("")
    with pytest.raises(CallError, match="is a file; a lake is a folder"):
        Lake.open(tmp_path / "file")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_text("")
    with pytest.raises(CallError, match="holds other files and is not a lake"):
        Lake.open(tmp_path / "photos")


def test_effects_keep_the_digest_of_their_inputs(lake: Lake) -> None:
    lake.take_in([delivery("a.csv", log(3))])
    lake.replace_effects(tables()["effects"].empty(), "abc")
    assert lake.effects_inputs() == "abc"
    lake.replace_effects(tables()["effects"].empty(), "def")
    assert lake.effects_inputs() == "def"


def test_who_reads_keeps_what_was_there_when_they_began(lake: Lake) -> None:
    from deltalake import DeltaTable

    one = delivery("a.csv", log(3))
    lake.take_in([one])
    before = DeltaTable(f"{lake.uri}/readings")
    lake.take_in([delivery("a.csv", log(9), "corrected", replaces=(one.id,))])
    lake.replace_effects(tables()["effects"].empty(), "abc")  # clears what is a week old, and only that
    assert pl.DataFrame(before.to_pyarrow_table()).height == 3
    assert lake.scan("readings").collect().height == 9


def test_a_retracted_delivery_stays_on_record_and_can_come_back(lake: Lake) -> None:
    one = delivery("a.csv", log(20, aside=1))
    lake.take_in([one, delivery("b.csv", log(5, machine="Combine B"))])
    assert lake.retract(one.id[:8]) == "a.csv"
    assert lake.scan("readings").collect()["file"].unique().to_list() == ["b.csv"]
    assert lake.scan("set_aside").collect().height == 0
    assert lake.machine_fields()["machine"].to_list() == ["Combine B"]
    status = dict(lake.ledger().select("name", "status").iter_rows())
    assert status == {"a.csv": "retracted", "b.csv": "taken in"}
    with pytest.raises(CallError, match="a.csv is retracted already; to undo"):
        lake.retract("a.csv")
    with pytest.raises(CallError, match="b.csv is not retracted"):
        lake.undo_retraction("b.csv")
    assert lake.undo_retraction("a.csv") == "a.csv"
    lake.take_in([one])
    assert lake.machine_fields()["machine"].to_list() == ["Combine A", "Combine B"]
    with pytest.raises(CallError, match="No delivery is called 'z.csv'"):
        lake.retract("z.csv")


def sound(lake: Lake) -> None:
    from chaffinch.pipelines.lake.freshness import inputs_of_effects

    lake.take_in([delivery("a.csv", log(20, aside=2)), delivery("b.csv", log(5, machine="Combine B"))])
    refresh_jobs(lake, lake.farm())
    lake.replace_effects(tables()["effects"].empty(), inputs_of_effects(lake))
    assert lake.check() == []


def data_files(lake: Lake, table: str, one: Delivery) -> list[Path]:
    return list((Path(lake.uri) / table / f"delivery={one.id}").glob("*.parquet"))


def test_check_finds_a_lost_file(lake: Lake) -> None:
    sound(lake)
    for file in data_files(lake, "readings", delivery("a.csv", None)):
        file.unlink()
    (sentence,) = lake.check()
    assert "readings" in sentence and "gone or not what was written" in sentence


def test_check_finds_a_damaged_file(lake: Lake) -> None:
    sound(lake)
    for file in data_files(lake, "set_aside", delivery("a.csv", None)):
        file.write_bytes(file.read_bytes()[:100])
    (sentence,) = lake.check()
    assert "set_aside" in sentence and "gone or not what was written" in sentence


def test_check_finds_missing_rows(lake: Lake) -> None:
    from deltalake import DeltaTable

    sound(lake)
    DeltaTable(f"{lake.uri}/readings").delete("row < 5")
    sentences = lake.check()
    # Both logs lose rows 2 to 4.
    assert len(sentences) == 2
    assert "holds 17 rows of a.csv" in sentences[0] and "20 were ingested" in sentences[0]


def test_check_finds_effects_of_other_inputs(lake: Lake) -> None:
    sound(lake)
    lake.take_in([delivery("c.csv", log(3, start=START + timedelta(days=3)))])
    (sentence,) = lake.check()
    assert "effects are older" in sentence and "chaffinch estimate" in sentence


def test_a_lake_that_can_not_be_read_says_so_in_a_sentence(lake: Lake) -> None:
    sound(lake)
    for entry in (Path(lake.uri) / "deliveries" / "_delta_log").iterdir():
        entry.write_bytes(b"{]")
    with pytest.raises(LakeError, match=r"Table deliveries of .* can't be read: .*chaffinch check"):
        lake.ledger()
    assert len(lake.check()) == 1


def test_what_another_run_ingests_is_seen_at_once(tmp_path: Path) -> None:
    reader, writer = Lake(tmp_path / "lake"), Lake(tmp_path / "lake")
    writer.take_in([delivery("a.csv", log())])
    assert reader.ledger()["name"].to_list() == ["a.csv"]
    writer.take_in([delivery("b.csv", log(start=START + timedelta(days=1)))])
    assert reader.ledger()["name"].to_list() == ["a.csv", "b.csv"]
    writer.strike([delivery("a.csv", None).id])
    assert reader.ledger()["name"].to_list() == ["b.csv"]
    assert reader.scan("readings").collect()["file"].unique().to_list() == ["b.csv"]


@pytest.mark.parametrize("place", ["lake", "my lake", "year=2026/lake", "a*b"])
def test_the_files_of_a_few_deliveries_hold_what_a_scan_of_all_finds(tmp_path: Path, place: str) -> None:
    (tmp_path / place).parent.mkdir(exist_ok=True)
    lake = Lake.open(tmp_path / place)
    first, second, third = (
        delivery("a.csv", log()),
        delivery("b.csv", log(30, machine="Combine B", grain_moisture_pct=[14.0] * 30)),
        delivery("c.csv", log(5, start=START + timedelta(hours=1))),
    )
    lake.take_in([first, second])
    assert lake.scan_of("readings", [first.id]).collect().height == 20
    lake.take_in([third])
    lake.retract("b.csv")
    asked = [third.id, first.id, second.id, "0" * 16]
    found = lake.scan_of("readings", asked).collect().sort("delivery", "row")
    whole = lake.scan("readings").filter(pl.col("delivery").is_in(asked)).collect().sort("delivery", "row")
    assert found.height == 25
    assert found.equals(whole) and found.schema == whole.schema
    assert lake.scan_of("readings", []).collect().equals(tables()["readings"].empty())
    assert lake.scan_of("work", ["0" * 16]).collect().equals(tables()["work"].empty())
