"""What was prepared before is found again, by all that it was made from; whatever becomes of it does no harm."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.kept_fields import as_bytes, from_bytes
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.kept import FOLDER
from chaffinch.pipelines.night.run import ingest_inbox, refresh
from chaffinch.pipelines.parallel.fan_out import one_by_one
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS


class Counting:
    """A fan-out that notes what was done, by the machine and field of each item."""

    def __init__(self) -> None:
        self.done: dict[str, list[tuple[str, str]]] = {"find delays": [], "prepare": []}

    def __call__(
        self, what: str, do: Callable[[Any], Any], items: Sequence[Any], name: Callable[[Any], str]
    ) -> Iterator[Any]:
        # What is fitted is fitted to all machine-fields together.
        if what != "fit":
            self.done.setdefault(what, []).extend((item["machine"], item["field"]) for item in items)
        return one_by_one(what, do, items, name)


def refreshed(lake: Lake) -> dict[str, list[tuple[str, str]]]:
    counting = Counting()
    assert refresh(lake, forced=True, each=counting).refreshed
    return counting.done


def what_they_say(lake: Lake) -> pl.DataFrame:
    effects = lake.scan("effects").collect()
    return effects.drop("computed_at").sort("scope", "machine", "field", "time", "setting", "outcome")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Lake]:
    """Two machines in two fields each, taken in and estimated once."""
    folder = tmp_path_factory.mktemp("season")
    write_season_files(folder / "s", "plain", 6, fields=4, hours=0.6, machines=2, adjustments=2)
    lake = Lake.open(folder / "lake")
    ingest_inbox(folder / "s" / "inbox", lake)
    refresh(lake)
    return folder / "s" / "inbox", lake


def entries(lake: Lake) -> list[Path]:
    return sorted((Path(lake.uri) / FOLDER).iterdir())


@pytest.mark.faults
def test_only_the_machine_of_a_changed_field_is_prepared_anew(season):
    inbox, lake = season
    assert refreshed(lake) == {"find delays": [], "prepare": []}
    fields = lake.machine_fields().select("machine", "field").rows()
    assert len(fields) == 4 and len(entries(lake)) == 8

    changed = sorted(inbox.rglob("*harvest*"))[0]
    changed.write_text("".join(changed.read_text().splitlines(keepends=True)[:-60]))
    before = set(entries(lake))
    (taken,) = ingest_inbox(inbox, lake).new
    (field,) = lake.ledger().filter(pl.col("delivery") == taken.delivery).select("machines", "fields").rows()
    machine = field[0][0]
    done = refreshed(lake)
    # Delays are read off each field alone; those of a machine are drawn together, so all its fields rest on them.
    assert done["find delays"] == [(machine, field[1][0])]
    assert sorted(done["prepare"]) == sorted(one for one in fields if one[0] == machine)
    assert len(done["prepare"]) == 2
    assert len(entries(lake)) == 8 and len(before & set(entries(lake))) == 5

    # A settings log that came late touches only the days that it tells of.
    settings = inbox / "settings_log.csv"
    lines = settings.read_text().splitlines(keepends=True)
    last = max(lines[1:])
    settings.write_text("".join(line for line in lines if line != last))
    ingest_inbox(inbox, lake)
    done = refreshed(lake)
    assert done["find delays"] == []
    assert [machine for machine, _ in done["prepare"]] == [last.split(",")[1]]

    kept, digest = what_they_say(lake), lake.digest()
    for entry in entries(lake):
        entry.unlink()
    assert lake.digest() == digest and lake.check() == []
    assert Counter(refreshed(lake)["prepare"]) == Counter(fields)
    assert what_they_say(lake).equals(kept)


def cut(entry: Path, other: Path) -> None:
    entry.write_bytes(entry.read_bytes()[:-200])


def empty(entry: Path, other: Path) -> None:
    entry.write_bytes(b"")


def one_byte_off(entry: Path, other: Path) -> None:
    content = bytearray(entry.read_bytes())
    content[len(content) // 2] ^= 1
    entry.write_bytes(content)


def another_ones(entry: Path, other: Path) -> None:
    entry.write_bytes(other.read_bytes())


def a_folder(entry: Path, other: Path) -> None:
    entry.unlink()
    entry.mkdir()


@pytest.mark.parametrize(
    "spoil",
    [cut, *(pytest.param(way, marks=pytest.mark.faults) for way in (empty, one_byte_off, another_ones))],
)
def test_a_spoilt_entry_is_made_anew(season, spoil):
    _, lake = season
    before = what_they_say(lake)
    whole = {entry: entry.read_bytes() for entry in entries(lake)}
    first, second = list(whole)[:2]
    spoil(first, second)
    done = refreshed(lake)
    assert len(done["find delays"]) + len(done["prepare"]) == 1
    assert what_they_say(lake).equals(before)
    assert {entry: entry.read_bytes() for entry in entries(lake)} == whole


@pytest.mark.faults
def test_where_nothing_can_be_kept_all_is_made_anew(season):
    _, lake = season
    before = what_they_say(lake)
    for entry in entries(lake):
        entry.unlink()
    place = Path(lake.uri) / FOLDER
    place.rmdir()
    place.write_text("in the way")
    assert len(refreshed(lake)["prepare"]) == len(refreshed(lake)["prepare"]) == 4
    assert what_they_say(lake).equals(before) and lake.check() == []
    place.unlink()
    refreshed(lake)
    a_folder(entries(lake)[0], place)
    assert sum(len(done) for done in refreshed(lake).values()) == 1


def test_a_half_written_entry_of_a_killed_run_goes(season):
    _, lake = season
    left = Path(lake.uri) / FOLDER / "0123.4567-89.part"
    left.write_bytes(b"half")
    refreshed(lake)
    assert not left.exists()


def test_a_lake_that_is_only_read_keeps_nothing(season):
    _, lake = season
    before = entries(lake)
    kept = Lake.open(lake.uri).kept()
    kept.put("new", b"content")
    kept.only(())
    assert entries(lake) == before and kept.get("new") is None


def test_what_goes_into_bytes_comes_out_as_it_was():
    value = {
        ("a", None): [1, 2.5, float("inf"), True, "ü\x00"],
        "array": np.array([[0.1, np.nan], [-0.0, 1e308]]),
        "none": np.empty((0, 3)),
        "delays": DEFAULT_DELAYS,
        "table": pl.DataFrame({"x": [1, None], "words": [["a", "b"], []]}),
        "numpy": (np.float64(0.1), np.int64(7), np.bool_(False)),
    }
    again = from_bytes(as_bytes(value))
    assert list(again) == list(value)
    assert again["a", None] == value["a", None]
    for name in ("array", "none"):
        assert again[name].shape == value[name].shape and again[name].tobytes() == value[name].tobytes()
    assert again["delays"] == DEFAULT_DELAYS
    assert again["table"].equals(value["table"]) and again["table"].schema == value["table"].schema
    assert again["numpy"] == (0.1, 7, False)


def test_what_cannot_be_kept_is_refused_by_name():
    with pytest.raises(TypeError, match="set can't be kept"):
        as_bytes({"a": {1}})
    with pytest.raises(ValueError, match="[Oo]bject arrays"):
        as_bytes(np.array([object()]))
