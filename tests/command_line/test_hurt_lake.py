"""A lake that lost something says so, before it answers anything; what the inbox still has comes back."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake
from chaffinch.schemas.tables import tables

HEADER = "time,machine,field,crop,speed_m_s,grain_flow_kg_s,cleaning_loss_signal\n"


def log(machine: str) -> str:
    return HEADER + "".join(
        f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,{machine},Mill Field,wheat,1.{i % 9},{8 + i % 3},{10 + i % 13}\n"
        for i in range(300)
    )


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound")
    (folder / "inbox").mkdir()
    for machine in ("a", "b"):
        (folder / "inbox" / f"{machine}.csv").write_text(log(machine))
        run(
            ["nightly", str(folder / "inbox"), "--lake", str(folder / "lake"), "--site", str(folder / "site")]
        )
    assert run(["check", "--lake", str(folder / "lake")]) == 0
    return folder


@pytest.fixture
def place(sound: Path, tmp_path: Path) -> Path:
    shutil.copytree(sound, tmp_path / "place")
    return tmp_path / "place"


def data_files(lake: Path) -> list[Path]:
    return sorted(file for name in tables() for file in (lake / name).rglob("*.parquet"))


def test_every_flipped_bit_is_found(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In any data file, wherever in it: rows, statistics, padding."""
    chance, lake = random.Random(8), place / "lake"
    stored = data_files(lake)
    assert len(stored) >= 8
    for file in stored:
        before = file.read_bytes()
        spoilt = bytearray(before)
        spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
        file.write_bytes(spoilt)
        # A file that a later change replaced is read by nobody.
        in_use = file.name in {
            Path(f).name for f in Lake(lake).delta._table(table_of(lake, file)).file_uris()
        }
        assert run(["check", "--lake", str(lake)]) == int(in_use)
        assert ("not what was written" in capsys.readouterr().out) == in_use
        file.write_bytes(before)
    assert run(["check", "--lake", str(lake)]) == 0


def table_of(lake: Path, file: Path) -> str:
    return file.relative_to(lake).parts[0]


def newest(folder: Path) -> Path:
    return sorted((folder / "_delta_log").glob("*.json"))[-1]


HURTS: dict[str, Callable[[Path], object]] = {
    "a table is gone": lambda lake: shutil.rmtree(lake / "readings"),
    "the ledger is gone": lambda lake: shutil.rmtree(lake / "deliveries"),
    "the newest change is gone": lambda lake: newest(lake / "readings").unlink(),
    "the newest change of the ledger is gone": lambda lake: newest(lake / "deliveries").unlink(),
    "the newest change is empty": lambda lake: newest(lake / "readings").write_bytes(b""),
    "a file is gone": lambda lake: next((lake / "readings").rglob("*.parquet")).unlink(),
    "a file is cut": lambda lake: next((lake / "readings").rglob("*.parquet")).write_bytes(b"PAR1"),
}


@pytest.mark.parametrize("what", HURTS)
def test_each_command_says_what_is_damaged(
    what: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lake, out = str(place / "lake"), place / "out.csv"
    HURTS[what](place / "lake")
    for call in (
        ["nightly", str(place / "inbox"), "--lake", lake, "--site", str(place / "site")],
        ["export", "readings", "--lake", lake, "--to", str(out)],
        ["query", "select count(*) from readings", "--lake", lake],
        ["check", "--lake", lake],
    ):
        assert run(call) == 1
        said = "".join(capsys.readouterr())
        assert "up to date" not in said and "Traceback" not in said and "unexpected" not in said
        assert "readings" in said or "deliveries" in said
    assert not out.exists()


@pytest.mark.parametrize("what", [what for what in HURTS if "ledger" not in what])
def test_repair_brings_back_what_the_inbox_has(
    what: str, place: Path, sound: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    HURTS[what](place / "lake")
    assert run(["check", "--lake", str(place / "lake"), "--repair", str(place / "inbox")]) == 0
    assert "was ingested again" in capsys.readouterr().out
    assert Lake.open(place / "lake").digest() == Lake.open(sound / "lake").digest()


def test_repair_says_what_it_could_not(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    HURTS["a table is gone"](place / "lake")
    (place / "inbox" / "a.csv").unlink()
    assert run(["check", "--lake", str(place / "lake"), "--repair", str(place / "inbox")]) == 1
    said = capsys.readouterr().out
    assert "b.csv was ingested again" in said and "a.csv could not be repaired" in said


def test_a_derived_table_that_is_gone_is_worked_out_again(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.rmtree(place / "lake" / "effects")
    assert run(["export", "effects", "--lake", str(place / "lake"), "--to", str(place / "e.csv")]) == 1
    assert "Table effects" in capsys.readouterr().err
    run(["nightly", str(place / "inbox"), "--lake", str(place / "lake"), "--site", str(place / "site")])
    assert run(["check", "--lake", str(place / "lake")]) == 0


@pytest.mark.parametrize("name", ["a%20b", "a\nb"])
def test_a_path_that_delta_would_open_elsewhere_is_refused(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "a.csv").write_text(log("a"))
    assert run(["ingest", str(tmp_path / "inbox"), "--lake", str(tmp_path / name)]) == 2
    assert "name another folder" in capsys.readouterr().err
    assert [each.name for each in tmp_path.iterdir()] == ["inbox"]


def test_a_farm_of_a_clock_that_was_ahead_does_not_stay_in_use(tmp_path: Path) -> None:
    from datetime import UTC, datetime, timedelta

    from chaffinch.pipelines.lake import Delivery
    from chaffinch.pipelines.parsed import Parsed

    lake = Lake(tmp_path / "lake")
    ahead = Delivery("old/farm.toml", "a" * 64, 9, Parsed("farm"), stated="units = 'us'")
    lake.take_in([ahead])
    row = lake.ledger().row(0, named=True)
    with lake.writing():
        lake._commit_ledger(
            [row["delivery"]], [row | {"taken_in_at": datetime.now(UTC) + timedelta(days=900)}]
        )
    lake.take_in([Delivery("farm.toml", "b" * 64, 9, Parsed("farm"), stated="units = 'metric'")])
    assert lake.farm().units == "metric"
