"""A night says by machine and field why it re-estimates; unchanged rows keep their time."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.freshness import as_text, because, from_text, rows_changed, with_times_of
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.schemas.tables import tables


def test_because_says_what_differs() -> None:
    one, other = '["Combine A", "Mill Field", null]', '["Combine B", null, "2026-07-20"]'
    before = {"": {"program": "1", "farm": "1"}, one: {"readings": "1", "checks": ""}}
    after = {"": {"program": "2", "farm": "1"}, one: {"readings": "2", "checks": "1"}, other: {}}
    assert because({}, after) == ()
    assert because(before, before) == ()
    assert because(before, after) == (
        "the program changed, on which all effects depend.",
        "Combine A, Mill Field: its readings and the loss checks of the machine changed.",
        "Combine B, 2026-07-20: it is new.",
    )
    assert because(after, before)[-1] == "Combine B, 2026-07-20: its readings are gone."
    assert from_text(as_text(after)) == after and from_text("[1]") == {} and from_text("{") == {}


def test_rows_that_stand_keep_their_time() -> None:
    contract = tables()["effects"]
    rows = [
        {
            "scope": "adjustment",
            "machine": "Combine A",
            "outcome": "capacity",
            "percent": float(i),
            "reasons": ["x", "y"],
        }
        for i in range(3)
    ]
    first, second = datetime(2026, 7, 20, tzinfo=UTC), datetime(2026, 7, 21, tzinfo=UTC)
    before = contract.conform(pl.DataFrame([row | {"computed_at": first} for row in rows]))
    rows[1]["percent"] = 7.0
    after = contract.conform(pl.DataFrame([row | {"computed_at": second} for row in rows]))
    assert with_times_of(before, after)["computed_at"].to_list() == [first, second, first]
    assert rows_changed(before, after) == 1
    assert with_times_of(contract.empty(), after).equals(after)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two field jobs; the settings log of the second day and the loss checks come late."""
    folder = tmp_path_factory.mktemp("season")
    write_season_files(folder / "s", "plain", 5, fields=2, hours=0.6, machines=2, adjustments=2)
    return folder / "s" / "inbox"


def night(inbox: Path, capsys: pytest.CaptureFixture[str]) -> dict:
    capsys.readouterr()
    folder = inbox.parent.parent
    run(["nightly", str(inbox), "--lake", str(folder / "lake"), "--site", str(folder / "site"), "--json"])
    return json.loads(capsys.readouterr().out)["estimate"]


@pytest.mark.slow
def test_each_cause_is_said_where_it_belongs(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lake = Lake.open(season.parent.parent / "lake")
    settings, checks = season / "settings_log.csv", season / "loss_checks.csv"
    whole, weighed = settings.read_text(), checks.read_text()
    lines = whole.splitlines(keepends=True)
    logs = sorted(season.rglob("*harvest*"))
    machines = sorted(lake_machines(season))
    of_last = [line for line in lines[1:] if machines[1] in line]
    settings.write_text("".join(line for line in lines if line not in of_last))
    checks.write_text(weighed.splitlines(keepends=True)[0])
    assert night(season, capsys)["because"] == []
    assert night(season, capsys)["refreshed"] is False

    # A late settings log touches the days that it tells of, and no others.
    settings.write_text(whole)
    (sentence,) = night(season, capsys)["because"]
    assert sentence.startswith(machines[1]) and sentence.endswith(": the adjustments in its days changed.")

    # Loss checks weigh the losses of their machine; nothing else of the effects moves.
    before = lake.scan("effects").collect()
    checks.write_text(weighed)
    estimate = night(season, capsys)
    assert {sentence.partition(", ")[0] for sentence in estimate["because"]} <= set(machines)
    assert all(
        sentence.endswith(": the loss checks of the machine changed.") for sentence in estimate["because"]
    )
    after = lake.scan("effects").collect()
    assert 0 < estimate["moved"] < after.height
    kept = after.filter(pl.col("computed_at").is_in(before["computed_at"].implode()))
    assert kept.height == after.height - estimate["moved"]

    # A log that is corrected.
    text = logs[0].read_text().splitlines(keepends=True)
    logs[0].write_text("".join(text[:-60]))
    (sentence,) = night(season, capsys)["because"]
    assert sentence.endswith(": its readings changed.")

    # Taken out: its fields go.
    (lake_name,) = [n for n in lake.ledger()["name"] if n.endswith(logs[1].name) and logs[1].parent.name in n]
    capsys.readouterr()
    assert run(["retract", lake_name, "--lake", lake.uri, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)["estimate"]["because"]
    assert any(sentence.endswith(": its readings are gone.") for sentence in result)
    assert lake.scan("effects").collect()["machine"].drop_nulls().unique().to_list() == [machines[0]]


def lake_machines(inbox: Path) -> set[str]:
    """Machines named in the settings log."""
    rows = (inbox / "settings_log.csv").read_text().splitlines()[1:]
    return {row.split(",")[1] for row in rows}


@pytest.mark.slow
def test_a_changed_farm_is_said_once(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    farm = season / "farm.toml"
    farm.write_text(farm.read_text() + "\n[thresholds]\nset_aside_pct = 1.5\n")
    result = night(season, capsys)["because"]
    assert result[0] == "what farm.toml states changed, on which all effects depend."
