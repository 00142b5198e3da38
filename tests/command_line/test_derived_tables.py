"""Work of a field job is made once and stored; what changed is made again, and whatever a killed run left."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate import prepare
from chaffinch.pipelines.estimate.derived_tables import plan_jobs, prepared_harvests
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import DERIVED_TABLES
from chaffinch.pipelines.lake.readable import job_id
from chaffinch.pipelines.night.run import ingest_inbox, refresh
from chaffinch.pipelines.parallel.fan_out import one_by_one
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.pipelines.work.delays.lag import Delays, Lag
from chaffinch.pipelines.work.delays.of_machine import delays_as_text, delays_from_text, rounded
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import tables


class Counting:
    """A fan-out that notes what was done, by the machine and field of each item."""

    def __init__(self) -> None:
        self.done: dict[str, list[tuple[str, str]]] = {"find delays": [], "prepare": []}

    def __call__(
        self, what: str, do: Callable[[Any], Any], items: Sequence[Any], name: Callable[[Any], str]
    ) -> Iterator[Any]:
        # What is fitted is fitted to all field jobs together.
        if what in self.done:
            rows = (item if what == "find delays" else item.row for item in items)
            self.done[what].extend((row["machine"], row["field"]) for row in rows)
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


def derived(lake: Lake) -> dict[str, pl.DataFrame]:
    """The derived tables, in the order of their keys."""
    return {
        name: lake.scan(name).collect().sort(tables()[name].key, nulls_last=True) for name in DERIVED_TABLES
    }


def same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> bool:
    return all(one[name].equals(other[name], null_equal=True) for name in DERIVED_TABLES)


def files_of(lake: Lake, name: str) -> set[str]:
    return {str(path) for path in (Path(lake.uri) / name).glob("**/*.parquet")}


def test_every_reading_has_its_row_of_work_and_every_job_its_bins(season):
    _, lake = season
    fields = lake.machine_fields()
    rows = derived(lake)
    assert (
        rows["field_jobs"].select("machine", "field").rows()
        and rows["field_jobs"].height == fields.height == 4
    )
    assert (
        rows["work"].height == lake.scan("readings").collect().height == rows["field_jobs"]["readings"].sum()
    )
    assert rows["bins"].height == rows["field_jobs"]["bins"].sum() > 0
    assert (
        set(rows["work"]["made_from"])
        == set(rows["field_jobs"]["made_from"])
        == set(rows["bins"]["made_from"])
    )
    # A plan of the settings is logged, so one is in force at every reading.
    changed = lake.scan("adjustments").collect()["setting"].unique().to_list()
    columns = [settings()[name].column for name in changed]
    assert rows["work"].select(pl.any_horizontal(pl.col(columns).is_not_null()).all()).item()


def test_what_is_stored_estimates_as_what_is_made(season):
    """Bins, changes, flaws and loss checks come back from the tables as they went in."""
    _, lake = season
    plan = plan_jobs(lake, lake.farm())
    assert all(plan.is_whole(row) for row in plan.rows)
    stored = list(prepared_harvests(plan))
    made = list(prepared_harvests(replace(plan, whole={})))
    assert len(stored) == len(made) == 4
    for (one, of, pairs), (other, other_of, other_pairs) in zip(stored, made, strict=True):
        assert of == other_of and np.array_equal(pairs, other_pairs)
        assert [change.rows.rows() for change in one.changes] == [
            change.rows.rows() for change in other.changes
        ]
        assert [(c.first_s, c.last_s) for c in one.changes] == [(c.first_s, c.last_s) for c in other.changes]
        assert one.outcomes.keys() == other.outcomes.keys() and one.flaws == other.flaws
        for name in one.outcomes:
            assert np.array_equal(one.outcomes[name], other.outcomes[name], equal_nan=True)
        for name in ("time_s", "seconds", "step", "feed_t_h", "moisture_pct", "east_m", "loss_signal"):
            assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True), name


@pytest.mark.faults
def test_bins_of_the_tables_are_those_of_the_readings(season):
    """Against preparing straight from the readings, without any table."""
    _, lake = season
    plan = plan_jobs(lake, lake.farm())
    for row, (binned, _, _) in zip(plan.rows, prepared_harvests(plan), strict=True):
        (delays,) = plan.used[job_id(row["machine"], row["field"], row["day"])]
        direct, _ = prepare(
            lake.readings(row["machine"], row["field"]), plan.changes[row["machine"]], None, delays
        )
        assert np.array_equal(direct.feed_t_h, binned.feed_t_h, equal_nan=True)
        assert np.allclose(direct.time_s, binned.time_s, rtol=0, atol=1e-6)
        assert np.array_equal(direct.step, binned.step)
        assert direct.flaws == binned.flaws and list(direct.outcomes) == list(binned.outcomes)
        for name, values in direct.outcomes.items():
            assert np.array_equal(values, binned.outcomes[name], equal_nan=True)
        assert [c.first_s for c in direct.changes] == [c.first_s for c in binned.changes]


@pytest.mark.faults
def test_only_what_changed_is_made_again(season):
    inbox, lake = season
    assert refreshed(lake) == {"find delays": [], "prepare": []}
    whole, fields = derived(lake), lake.machine_fields().select("machine", "field").rows()

    changed = sorted(inbox.rglob("*harvest*"))[0]
    text = changed.read_text()
    changed.write_text("".join(text.splitlines(keepends=True)[:-60]))
    before = files_of(lake, "work")
    (taken,) = ingest_inbox(inbox, lake).new
    (field,) = lake.ledger().filter(pl.col("delivery") == taken.delivery).select("machines", "fields").rows()
    job = (field[0][0], field[1][0])
    done = refreshed(lake)
    # Delays are found in each field alone; those of a machine are drawn together, and rounded for use.
    assert done["find delays"] == [job]
    assert job in done["prepare"] and {machine for machine, _ in done["prepare"]} == {job[0]}
    assert lake.check() == []
    others = pl.col("machine") != job[0]
    now = derived(lake)
    assert same(*({n: f.filter(others) for n, f in one.items()} for one in (whole, now)))
    jobs = now["field_jobs"].filter(others)["job"].to_list()
    assert {p for p in before if any(one in p for one in jobs)} <= files_of(lake, "work")
    changed.write_text(text)
    ingest_inbox(inbox, lake)
    refreshed(lake)
    assert same(derived(lake), whole)

    # A settings log that came late touches only its machine: the days of the change, and those before and after in
    # which the value before or after it was in force.
    settings_log = inbox / "settings_log.csv"
    lines = settings_log.read_text().splitlines(keepends=True)
    last = max(lines[1:])
    settings_log.write_text("".join(line for line in lines if line != last))
    ingest_inbox(inbox, lake)
    done = refreshed(lake)
    assert done["find delays"] == []
    assert {machine for machine, _ in done["prepare"]} == {last.split(",")[1]}

    says, digest = what_they_say(lake), lake.digest()
    for name in DERIVED_TABLES:
        shutil.rmtree(Path(lake.uri) / name)
    assert lake.digest() == digest and "is gone" in lake.check()[0]
    assert not lake.is_fresh()
    assert Counter(refreshed(lake)["prepare"]) == Counter(fields)
    assert what_they_say(lake).equals(says) and lake.check() == []


def lose_work(lake: Lake, job: str) -> None:
    lake.delta.delete("work", [job])


def lose_bins(lake: Lake, job: str) -> None:
    lake.delta.delete("bins", [job])


def lose_the_row(lake: Lake, job: str) -> None:
    lake.delta.delete("field_jobs", [job])


def another_origin(lake: Lake, job: str) -> None:
    rows = lake.scan("work").filter(pl.col("job") == job).collect()
    lake.delta.put("work", [job], [rows.with_columns(pl.lit("0" * 16).alias("made_from"))])


@pytest.mark.parametrize(
    "damage",
    [
        lose_work,
        *(pytest.param(w, marks=pytest.mark.faults) for w in (lose_bins, lose_the_row, another_origin)),
    ],
)
def test_a_torn_job_is_seen_and_made_again(season, damage):
    """As a run leaves it that is killed between two of the three tables."""
    _, lake = season
    before, says = derived(lake), what_they_say(lake)
    job = before["field_jobs"]["job"][0]
    with lake.writing():
        damage(lake, job)
    (fault,) = lake.check()
    assert "do not agree on 1 field jobs" in fault and not lake.is_fresh()
    assert refresh(lake, each=one_by_one).refreshed
    assert same(derived(lake), before) and what_they_say(lake).equals(says)
    assert lake.check() == [] and not refresh(lake).refreshed


def test_responses_stay_inside_what_was_tried(season):
    """Each curve: from the least to the greatest value tried, nothing against itself, one chance shared out."""
    _, lake = season
    responses, effects = (lake.scan(name).collect() for name in ("responses", "effects"))
    curve = ["machine", "crop", "setting", "outcome"]
    assert responses.select(*curve, "value").is_unique().all() and responses.height
    for of, rows in responses.group_by(curve):
        assert rows["chance_best"].sum() == pytest.approx(1.0)
        in_use = rows.filter(pl.col("value") == pl.col("value_in_use"))
        assert in_use["log_ratio"].to_list() == in_use["log_ratio_high"].to_list() == [0.0]
        machine, crop, setting, outcome = of
        changes = effects.filter(scope="adjustment", crop=crop, setting=setting, outcome=outcome)
        changes = changes.filter(pl.col("verdict") != "cannot tell")
        if machine is not None:
            changes = changes.filter(machine=machine)
        values = pl.concat([changes["from_value"], changes["to_value"]]).cast(pl.Float64)
        assert (rows["value"].min(), rows["value"].max()) == (values.min(), values.max())
    assert (responses["log_ratio_low"] <= responses["log_ratio_high"]).all()
    known = responses.filter(pl.col("absolute").is_not_null())
    assert set(known["outcome"]) <= {"machine_loss"}
    assert (known["absolute"].sign() == known["log_ratio"].sign()).all()


@pytest.mark.faults
def test_lost_responses_are_seen_and_made_again(season):
    _, lake = season
    before = lake.scan("responses").collect()
    shutil.rmtree(Path(lake.uri) / "responses")
    again = Lake.open(lake.uri)
    assert not again.is_fresh()
    assert any("is gone" in sentence for sentence in again.check())
    assert refresh(again).refreshed
    assert again.scan("responses").collect().equals(before, null_equal=True)
    assert again.check() == []


def test_a_retracted_log_removes_its_derived_rows(season):
    _, lake = season
    row = lake.ledger().filter(pl.col("kind") == "harvest log").row(0, named=True)
    lake.retract(row["delivery"])
    assert row["delivery"] not in set(lake.scan("work").collect()["delivery"])
    gone = (pl.col("machine") == row["machines"][0]) & (pl.col("field") == row["fields"][0])
    for name in DERIVED_TABLES:
        assert lake.scan(name).filter(gone).collect().is_empty()
    lake.undo_retraction(row["delivery"])
    ingest_inbox(season[0], lake)
    refreshed(lake)


def test_what_older_versions_kept_goes(season):
    _, lake = season
    left = Path(lake.uri) / ".kept" / "0123"
    left.parent.mkdir()
    left.write_bytes(b"old")
    refreshed(lake)
    assert not left.parent.exists()


def test_rounding_leaves_other_days_alone():
    """A shift of the pooled delays by hundredths of a second moves nothing that is used."""
    lag = Lag(11.93, 0.2, True, ("passes", "season"))
    loss = replace(lag, seconds=7.4)
    delays = Delays(lag, loss, loss, replace(lag, seconds=14.6))
    shifted = replace(delays, grain=replace(lag, seconds=11.97, error_s=0.3))
    assert rounded(delays) == rounded(shifted)
    assert rounded(delays).grain.seconds == 12.0
    assert rounded(delays).separation.seconds == 7.5
    again = delays_from_text(delays_as_text(delays))
    assert again == delays_from_text(delays_as_text(again))
    assert again.grain == lag
    of_before = (
        '[[11.93, 0.2, true, 3.1, 0.31, "passes season"]' + 3 * ', [7.4, 0.2, true, null, 0.0, ""]' + "]"
    )
    assert delays_from_text(of_before).grain == lag
