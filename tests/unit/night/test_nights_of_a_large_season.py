"""Nights of a season so large that fits are kept, over a lake: rows of unchanged machines stay, others are new."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest
from builders.kept_seasons import keep_small_seasons
from chaffinch.pipelines.estimate.kept.unchanged_machines import Basis
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delta import DeltaTables
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.pipelines.parallel import warm
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.schemas.tables import NOT_LOGGED

pytestmark = pytest.mark.slow

PLACES = ["scope", "machine", "field", "crop", "time", "setting", "outcome"]


@pytest.fixture(autouse=True, scope="module")
def seven_field_jobs_are_many():
    with pytest.MonkeyPatch.context() as patch:
        keep_small_seasons(patch)
        yield


@pytest.fixture(scope="module")
def first_night(tmp_path_factory) -> Path:
    """A folder with a lake and a site of a night without the season's last log, and the inbox with it."""
    folder = tmp_path_factory.mktemp("large")
    write_season_files(folder, "plain", 79, fields=7, hours=1.0, machines=3)
    last = max(folder.glob("inbox/*/harvest_*.csv"), key=lambda path: path.stem)
    waiting = folder / last.name
    last.rename(waiting)
    assert run_nightly(folder / "inbox", Lake.open(folder / "lake"), folder / "site").failed == ()
    waiting.rename(last)
    return folder


@pytest.fixture
def seen(monkeypatch) -> list[frozenset[str]]:
    """The unchanged machines of each estimate."""
    found = []
    real = Basis.unchanged

    def noted(basis, evidence):
        found.append(real(basis, evidence))
        return found[-1]

    monkeypatch.setattr(Basis, "unchanged", noted)
    return found


def next_night(first: Path, folder: Path, spoil=lambda lake: None) -> Lake:
    for name in ("inbox", "lake", "site"):
        shutil.copytree(first / name, folder / name)
    lake = Lake.open(folder / "lake")
    spoil(lake)
    assert run_nightly(folder / "inbox", lake, folder / "site").failed == ()
    assert lake.check() == []
    return lake


def test_unchanged_machines_and_the_season_keep_their_rows(first_night, tmp_path, seen):
    before = Lake.open(first_night / "lake").scan("effects").collect()
    lake = next_night(first_night, tmp_path)
    (unchanged,) = seen
    assert unchanged
    after = lake.scan("effects").collect()
    stay = pl.col("machine").is_null() | pl.col("machine").is_in(unchanged)
    assert after.filter(stay).sort(PLACES).equals(before.filter(stay).sort(PLACES))
    new = after.filter(~stay).join(before, on=PLACES, how="anti", nulls_equal=True)
    assert new["scope"].unique().sort().to_list()[:1] == ["adjustment"]


def test_the_rows_are_those_that_an_estimate_from_scratch_has(first_night, tmp_path):
    from chaffinch.pipelines.estimate import refresh_answers

    lake = next_night(first_night, tmp_path)
    scratch = refresh_answers(lake, lake.farm())
    # Which steps were not logged depends on the noise.
    of_effects = pl.col("setting") != NOT_LOGGED
    # Curves of all machines stay as they were drawn, without a value that was tried for the first time.
    of_curves = pl.col("machine").is_not_null()
    for name, keys, asked in (
        ("effects", PLACES, of_effects),
        ("responses", ["machine", "crop", "setting", "outcome", "value"], of_curves),
    ):
        held, made = (frame.filter(asked) for frame in (lake.scan(name).collect(), getattr(scratch, name)))
        assert held.select(keys).sort(keys).equals(made.select(keys).sort(keys)), name


def test_a_night_that_ended_between_its_commits_leaves_no_basis(first_night, tmp_path, seen, monkeypatch):
    """What is kept of the fits was written, the effects that it belongs to were not."""

    def half_written(lake: Lake) -> None:
        others = {name: lake.scan(name).collect() for name in ("responses", "loss_curves", "season_fits")}
        effects = lake.scan("effects").collect()
        written = DeltaTables.write

        def all_but_effects(of, name, *given, **how):
            if name != "effects":
                written(of, name, *given, **how)

        with monkeypatch.context() as patch, lake.writing():
            patch.setattr(DeltaTables, "write", all_but_effects)
            lake.replace_effects(effects, "of another night", lake.effects_field_inputs() or "", others)

    next_night(first_night, tmp_path, half_written)
    assert seen == [frozenset()]


def test_work_done_by_warm_processes_is_the_same(first_night, tmp_path, monkeypatch):
    here = next_night(first_night, tmp_path / "here")
    monkeypatch.setattr("chaffinch.pipelines.night.plan.MANY_KNOWN", 1)
    done = []
    real = warm._Warm.__call__
    monkeypatch.setattr(warm._Warm, "__call__", lambda one, item: done.append(real(one, item)) or done[-1])
    there = next_night(first_night, tmp_path / "there")
    assert done, "nothing was done by the others"
    for name in ("effects", "responses", "loss_curves"):
        rows = [lake.scan(name).collect().drop("computed_at", strict=False) for lake in (here, there)]
        assert rows[0].height and rows[0].equals(rows[1]), name
    assert here.digest() == there.digest()
