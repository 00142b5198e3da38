"""The site as files: what is written when, what is left alone, and that nothing points anywhere else."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from chaffinch.dashboards.pages import field_jobs
from chaffinch.dashboards.pages import site as site_module
from chaffinch.dashboards.pages.site import write_site
from chaffinch.dashboards.site import suggested_trials
from chaffinch.dashboards.site.digest import digest_of
from chaffinch.dashboards.site.suggested_trials import KeptTrials
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.schemas.tables import tables

SUGGESTED = Suggestion(
    "A", "wheat", "fan_speed", "rpm", 1000.0, 900.0, "cleaning_loss", 0.8, 12.0, 9.0, 300.0, 2000.0, 400.0, True,
    2.5, 7, 9.0,
)  # fmt: skip


def contents(site: Path) -> dict[str, bytes]:
    return {str(p.relative_to(site)): p.read_bytes() for p in sorted(site.rglob("*")) if p.is_file()}


def field_pages(site: Path) -> list[Path]:
    return sorted((site / "fields").glob("*.html"))


def test_the_same_data_give_the_same_bytes(made_up, friendly_site, farm, tmp_path):
    write_site(made_up.friendly_lake(), tmp_path, farm)
    assert contents(tmp_path) == contents(friendly_site)


def test_a_second_run_writes_nothing(made_up, farm, tmp_path):
    first = write_site(made_up.friendly_lake(), tmp_path, farm)
    assert first["written"] == len(list(tmp_path.rglob("*.html")))
    stamps = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")}
    second = write_site(made_up.friendly_lake(), tmp_path, farm)
    assert (second["written"], second["unchanged"]) == (0, first["written"])
    assert {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")} == stamps


def test_when_something_was_computed_again_is_no_change(made_up, farm, tmp_path):
    lake = made_up.friendly_lake()
    write_site(lake, tmp_path, farm)
    later = pl.lit(made_up.MORNING + timedelta(days=1)).cast(pl.Datetime("us", "UTC"))
    lake.frames["effects"] = lake.frames["effects"].with_columns(later.alias("computed_at"))
    lake.frames["deliveries"] = lake.frames["deliveries"].with_columns(later.alias("taken_in_at"))
    assert write_site(lake, tmp_path, farm)["written"] == 0


def test_only_pages_whose_data_changed_are_rewritten(made_up, farm, tmp_path):
    lake = made_up.friendly_lake().with_rows(
        readings=made_up.log(field="Long Acre", seconds=900, start=made_up.MORNING + timedelta(days=1))
    )
    write_site(lake, tmp_path, farm)
    before = contents(tmp_path)
    effects = lake.frames["effects"]
    lake.frames["effects"] = effects.with_columns(
        pl.when(pl.col("outcome") == "broken_grain").then(-14.0).otherwise(pl.col("percent")).alias("percent")
    )
    write_site(lake, tmp_path, farm)
    changed = {name for name, content in contents(tmp_path).items() if before.get(name) != content}
    assert any("mill-field" in name for name in changed)
    assert not any("long-acre" in name or name.startswith("assets/") for name in changed)


def test_one_new_field_job_makes_only_the_pages_that_show_it(made_up, farm, tmp_path, monkeypatch):
    made: list[str] = []
    real = field_jobs.Ground.make
    monkeypatch.setattr(field_jobs.Ground, "make", lambda on, job: made.append(job.page) or real(on, job))
    lake, site = made_up.friendly_lake(), tmp_path / "site"
    write_site(lake, site, farm)
    before = contents(site)
    made.clear()
    next_day = made_up.MORNING + timedelta(days=1)
    theirs = lake.frames["deliveries"].head(1)
    theirs = theirs.with_columns(
        pl.lit("d9").alias("delivery"),
        *(pl.Series(name, [[one]]) for name, one in (("machines", "Combine B"), ("fields", "Long Acre"))),
    )
    readings = made_up.log("Combine B", "Long Acre", next_day, 900, delivery="d9")
    later = lake.with_rows(readings=readings, deliveries=theirs)
    counts = write_site(later, site, farm)
    after = contents(site)
    changed = {name for name in after if before.get(name) != after[name] and name.endswith(".html")}
    shared = {"index.html", "season.html", "nightly.html"}
    others = {name for name in changed - shared if "combine-b" not in name and "long-acre" not in name}
    assert others == set()
    assert counts["written"] == len(changed) <= 6
    assert {name for name in made if "combine-b" not in name and "long-acre" not in name} == set()
    assert len(made) == 2
    write_site(later, tmp_path / "from scratch", farm)
    assert contents(tmp_path / "from scratch") == after


def test_pages_of_a_machine_of_which_nothing_changed_are_not_looked_at(made_up, farm, tmp_path, monkeypatch):
    looked: list[str] = []
    real = site_module.field_job
    monkeypatch.setattr(
        site_module,
        "field_job",
        lambda lots, row, *rest: looked.append(row["machine"]) or real(lots, row, *rest),
    )
    next_day = made_up.MORNING + timedelta(days=1)
    lake = made_up.friendly_lake().with_rows(readings=made_up.log("Combine B", "Long Acre", next_day, 900))
    write_site(lake, tmp_path, farm)
    assert set(looked) == {"Combine A", "Combine B"}
    looked.clear()
    later = pl.when(pl.col("machine") == "Combine A").then(-14.0).otherwise(pl.col("percent"))
    lake.frames["effects"] = lake.frames["effects"].with_columns(later.alias("percent"))
    write_site(lake, tmp_path, farm)
    assert set(looked) == {"Combine A"}
    # A page that somebody removed is made again.
    looked.clear()
    (gone,) = (tmp_path / "fields").glob("*combine-b*")
    gone.unlink()
    write_site(lake, tmp_path, farm, now=datetime.now(UTC) + timedelta(days=2))
    assert set(looked) == {"Combine B"}
    assert gone.is_file()


def test_what_a_page_does_not_show_makes_no_page(made_up, farm, tmp_path, monkeypatch):
    """Of the field's rows about a setting moved once, and of curves by which no value is judged, other numbers."""
    made: list[str] = []
    real = field_jobs.Ground.make
    monkeypatch.setattr(field_jobs.Ground, "make", lambda on, job: made.append(job.page) or real(on, job))
    lake, site = made_up.friendly_lake(), tmp_path / "site"
    own = lake.frames["effects"].filter(pl.col("scope") == "adjustment").group_by("setting")
    once = own.agg(pl.col("time").n_unique().alias("n")).filter(pl.col("n") == 1)["setting"][0]
    alone = lake.frames["effects"].filter(pl.col("scope") == "adjustment", pl.col("setting") == once)
    pooled = alone.with_columns(
        pl.lit("field").alias("scope"), pl.lit(None).cast(alone.schema["time"]).alias("time")
    )
    other = curve("wheat", -0.2).with_columns(pl.lit("fuel_per_tonne").alias("outcome"))
    frames = lake.frames["effects"], pl.concat([curve("wheat", -0.2), other])

    def write(percent: float, log_ratio: float) -> None:
        moved = pooled.with_columns(pl.lit(percent).alias("percent"))
        lake.frames["effects"] = pl.concat([frames[0], moved])
        fuel = pl.when(pl.col("outcome") == "fuel_per_tonne").then(log_ratio).otherwise(pl.col("log_ratio"))
        lake.frames["responses"] = frames[1].with_columns(fuel.alias("log_ratio"))
        made.clear()
        write_site(lake, site, farm)

    write(7.0, -0.2)
    assert any(name.startswith("fields/") for name in made)
    write(8.0, -0.3)
    assert [name for name in made if name.startswith("fields/")] == []
    write_site(lake, tmp_path / "from scratch", farm)
    assert contents(tmp_path / "from scratch") == contents(site)


def test_what_is_known_in_another_crop_leaves_the_page_of_a_field(made_up, farm, tmp_path, monkeypatch):
    made: list[str | None] = []
    real = field_jobs.field_context
    monkeypatch.setattr(field_jobs, "field_context", lambda of, farm: made.append(of.field) or real(of, farm))
    monkeypatch.setattr(suggested_trials, "suggestions", lambda *_, **__: [])
    lake = made_up.friendly_lake()
    for crop, log_ratio, remade in (("maize", -0.1, True), ("maize", -0.2, False), ("wheat", -0.2, True)):
        made.clear()
        lake.frames["responses"] = curve(crop, log_ratio)
        write_site(lake, tmp_path, farm)
        assert ("Mill Field" in made) == remade


def curve(crop: str, log_ratio: float) -> pl.DataFrame:
    """A response curve of Combine A."""
    rows = [
        {"machine": "Combine A", "crop": crop, "setting": "fan_speed", "unit": "rpm", "outcome": "cleaning_loss",
         "value": value, "value_in_use": 1000.0, "tried": 1, "log_ratio": log_ratio * (value != 1000.0),
         "log_ratio_low": -0.3 * (value != 1000.0), "log_ratio_high": 0.1 * (value != 1000.0),
         "chance_best": 0.5, "expected_regret": 0.05, "adjustments_pooled": 2}
        for value in (900.0, 1000.0)
    ]  # fmt: skip
    return tables()["responses"].conform(pl.DataFrame(rows))


def test_trials_are_planned_again_only_for_machines_of_which_something_changed(monkeypatch):
    """Two machines with a curve each; of one the curve moves."""
    asked: list[set[str]] = []

    def suggestions(curves, fields, farm, noises):
        asked.append(set(curves["machine"]))
        return [replace(SUGGESTED, machine=name) for name in sorted(set(curves["machine"]))]

    monkeypatch.setattr(suggested_trials, "suggestions", suggestions)
    monkeypatch.setattr(suggested_trials, "binned_fields", lambda *_: [])
    rows = [
        {"machine": name, "crop": "wheat", "setting": "fan_speed", "outcome": "cleaning_loss", "value": 900.0,
         "value_in_use": 1000.0, "log_ratio": -0.2}
        for name in ("A", "B")
    ]  # fmt: skip
    held = {
        "responses": tables()["responses"].conform(pl.DataFrame(rows)),
        "field_jobs": tables()["field_jobs"].empty(),
    }
    first, kept = suggested_trials.suggested_trials(None, Farm(), held, "ground", KeptTrials())
    as_json = KeptTrials(**json.loads(json.dumps(asdict(kept))))
    second, _ = suggested_trials.suggested_trials(None, Farm(), held, "ground", as_json)
    assert second == first
    moved = pl.when(pl.col("machine") == "B").then(-0.3).otherwise(pl.col("log_ratio"))
    held["responses"] = held["responses"].with_columns(moved.alias("log_ratio"))
    third, _ = suggested_trials.suggested_trials(None, Farm(), held, "ground", as_json)
    assert [one.machine for one in third] == ["A", "B"]
    assert asked == [{"A", "B"}, {"B"}]


def test_a_page_whose_field_is_gone_is_removed_and_strangers_stay(made_up, farm, tmp_path):
    lake = made_up.friendly_lake()
    another = lake.frames["deliveries"].head(1).with_columns(pl.lit("d9").alias("delivery"))
    next_day = made_up.MORNING + timedelta(days=1)
    readings = made_up.log(field="Long Acre", start=next_day, delivery="d9")
    write_site(lake.with_rows(readings=readings, deliveries=another), tmp_path, farm)
    (tmp_path / "fields" / "my_notes.html").write_text("mine")
    assert len(field_pages(tmp_path)) == 3
    result = write_site(lake, tmp_path, farm)
    assert result["removed"] == 1
    assert [p.name for p in field_pages(tmp_path) if "long-acre" in p.name] == []
    assert (tmp_path / "fields" / "my_notes.html").read_text() == "mine"


def test_a_page_damaged_or_deleted_by_hand_comes_back(made_up, friendly_site, farm, tmp_path):
    write_site(made_up.friendly_lake(), tmp_path, farm)
    field_pages(tmp_path)[0].unlink()
    (tmp_path / "index.html").unlink()
    write_site(made_up.friendly_lake(), tmp_path, farm)
    assert contents(tmp_path) == contents(friendly_site)


def test_a_list_of_pages_that_was_tampered_with_removes_nothing_outside(made_up, farm, tmp_path):
    site, outside = tmp_path / "site", tmp_path / "precious.html"
    outside.write_text("keep")
    write_site(made_up.friendly_lake(), site, farm)
    record = json.loads((site / "made_from.txt").read_text().split("\n", 1)[1])
    record["made_from"] |= {"../precious.html": "x", str(outside): "x"}
    text = json.dumps(record)
    (site / "made_from.txt").write_text(f"{digest_of([text])}\n{text}")
    write_site(made_up.friendly_lake(), site, farm)
    assert outside.read_text() == "keep"


@pytest.mark.parametrize(
    "edit", [lambda _: "", lambda text: "{}\n{}", lambda text: text.replace("wheat", "maize")]
)
def test_a_record_that_was_tampered_with_is_made_again(made_up, friendly_site, farm, tmp_path, edit):
    write_site(made_up.friendly_lake(), tmp_path, farm)
    record = tmp_path / "made_from.txt"
    assert "wheat" in record.read_text()
    record.write_text(edit(record.read_text()))
    write_site(made_up.friendly_lake(), tmp_path, farm)
    assert contents(tmp_path) == contents(friendly_site)


def test_nothing_points_off_the_site(friendly_site, hostile_site):
    for site in (friendly_site, hostile_site):
        for page in site.rglob("*.html"):
            text = page.read_text(encoding="utf-8")
            for link in re.findall(
                r"""<(?:a|link|script|img|iframe|form)\b[^>]*?\b(?:href|src|action)=["']([^"']*)""", text
            ):
                assert not re.match(r"(?i)(https?:|//|javascript:|file:)", link), f"{page.name}: {link}"
                if not link.startswith(("#", "data:")):
                    target = (page.parent / link.split("#")[0]).resolve()
                    assert target.is_file(), f"{page.name} links to {link}"
                    assert target.is_relative_to(site.resolve())


def test_plotly_knows_every_word_of_every_figure(friendly_site, hostile_site):
    """Figures are not checked when pages are made, for speed; here Plotly checks each of them."""
    import plotly.graph_objects as go

    checked = 0
    for page in [*friendly_site.rglob("*.html"), *hostile_site.rglob("*.html")]:
        text = page.read_text(encoding="utf-8")
        for figure in re.findall(r'data-figure="[^"]+">(.*?)</script>', text, flags=re.S):
            output = json.loads(figure)
            assert go.Figure(output).to_plotly_json().keys() == output.keys()
            checked += 1
    assert checked > 30


def test_pages_are_small_without_plotly(friendly_site):
    # The stated limit: a page of at most 1.5 MB without the one script.
    assert (friendly_site / "assets" / "plotly.min.js").stat().st_size > 1_000_000
    for page in friendly_site.rglob("*.html"):
        assert page.stat().st_size < 1_500_000


def test_file_names_never_come_raw_from_data(hostile_site):
    for page in hostile_site.rglob("*.html"):
        assert re.fullmatch(r"[a-z0-9-]{1,80}\.html", page.name)


def test_no_name_can_hide_or_reorder_what_is_read(hostile_site):
    # Unicode Technical Report 36, on spoofing by bidirectional text: overrides, embeddings, isolates, marks.
    unseen = "[\u202a-\u202e\u2066-\u2069\u200e\u200f\u061c\u0000]"
    for page in hostile_site.rglob("*.html"):
        hidden = re.findall(unseen, page.read_text(encoding="utf-8"))
        assert hidden == [], page.name


def test_hostile_names_make_as_many_pages_as_there_are_fields(hostile_site, made_up):
    assert len(field_pages(hostile_site)) == len(made_up.HOSTILE)


def test_every_field_page_carries_the_cautions(friendly_site, hostile_site):
    # The cautions are those that the project's safety rules name.
    asked = (
        "stop the engine",
        "take the key",
        "stands still",
        "safety stops",
        "discharge",
        "fire",
        "manual",
        "technician",
    )
    for page in [*field_pages(friendly_site), *field_pages(hostile_site)]:
        text = page.read_text(encoding="utf-8").lower()
        assert [words for words in asked if words not in text] == []


def test_what_a_change_did_is_said_in_words_with_its_range(friendly_site):
    text = (
        field_pages(friendly_site)[0]
        .read_text(encoding="utf-8")
        .replace("\u00a0", " ")
        .replace("&nbsp;", " ")
    )
    assert "1000 → 1080" in text
    assert re.search(r"[Cc]leaning loss up 31 % \(14 to 51 %\)", text)
    assert "at the same grain feed rate" in text
    # 08:30 UTC is 09:30 on the machine's clock, Europe/London in July.
    assert "09:30" in text
    assert "Europe/London" in text


def test_cannot_tell_always_says_why(friendly_site):
    text = field_pages(friendly_site)[0].read_text(encoding="utf-8")
    assert "cannot tell" in text
    assert "Too little steady work after the change." in text


def test_a_joint_change_is_shown_once_for_all_its_settings(friendly_site):
    text = field_pages(friendly_site)[0].read_text(encoding="utf-8")
    titles = re.findall(r"<h3><span class=\"number\">2</span>(.*?)</h3>", text, flags=re.S)
    assert titles and all("Fan speed" in title and "Upper sieve opening" in title for title in titles)
    assert text.count('<li class="change"') == 3


def test_a_file_that_could_not_be_read_is_on_the_first_page(friendly_site):
    text = (friendly_site / "index.html").read_text(encoding="utf-8")
    assert "broken.csv" in text and "The file holds no row with a time." in text
    assert "Moisture is missing in 12 % of the rows." in text


def test_rows_set_aside_are_on_the_field_page_with_rule_and_value(friendly_site):
    text = field_pages(friendly_site)[0].read_text(encoding="utf-8")
    assert "The value is not a number." in text
    assert "ERR" in text


@pytest.mark.parametrize(
    "without",
    [
        ("latitude", "longitude"),
        ("separation_loss_signal", "cleaning_loss_signal"),
        ("grain_flow_kg_s",),
        ("working", "working_width_m", "speed_m_s"),
        ("grain_moisture_pct",),
        (
            "latitude",
            "longitude",
            "speed_m_s",
            "working",
            "working_width_m",
            "grain_flow_kg_s",
            "grain_moisture_pct",
            "cleaning_loss_signal",
        ),
    ],
    ids=lambda names: f"without {names[0]} and {len(names) - 1} more",
)
def test_a_page_is_made_whatever_the_log_lacks(made_up, farm, tmp_path, without):
    lake = made_up.friendly_lake()
    lake.frames["readings"] = made_up.log(without=without)
    write_site(lake, tmp_path, farm)
    assert "Mill Field" in field_pages(tmp_path)[0].read_text(encoding="utf-8")


@pytest.mark.parametrize("seconds", [1, 2, 25])
def test_a_page_is_made_of_a_handful_of_readings(made_up, farm, tmp_path, seconds):
    write_site(made_up.MadeUpLake(readings=made_up.log(seconds=seconds)), tmp_path, farm)
    assert len(field_pages(tmp_path)) == 1


def test_an_empty_lake_has_a_first_page_that_says_what_to_do(made_up, tmp_path):
    write_site(made_up.MadeUpLake(), tmp_path, Farm())
    assert "inbox" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_readings_without_a_field_make_a_page_a_day(made_up, farm, tmp_path):
    days = [
        made_up.log(field=None, seconds=600, start=made_up.MORNING + timedelta(days=d)) for d in (0, 1, 2)
    ]
    write_site(made_up.MadeUpLake(readings=pl.concat(days)), tmp_path, farm)
    pages = field_pages(tmp_path)
    assert len(pages) == 3
    shown = [re.search(r"(\d+ July 2026)", page.read_text(encoding="utf-8")) for page in pages]
    assert {match[1] for match in shown if match} == {"20 July 2026", "21 July 2026", "22 July 2026"}


def test_without_a_stated_zone_times_are_utc_and_the_page_says_so(made_up, tmp_path):
    write_site(made_up.friendly_lake(), tmp_path, Farm())
    text = field_pages(tmp_path)[0].read_text(encoding="utf-8")
    assert "08:30" in text and "UTC" in text and "states no time zone" in text


def test_us_units_show_bushels_and_miles(made_up, tmp_path):
    us = parse_farm('units = "us"\n[crops.wheat]\nbushel_mass_lb = 60\n')
    write_site(made_up.friendly_lake(), tmp_path, us)
    text = field_pages(tmp_path)[0].read_text(encoding="utf-8")
    assert "bu/h" in text and "mph" in text
    assert "t/h" not in re.sub(r"<script.*?</script>", "", text, flags=re.S)


def test_times_show_the_zone_of_each_machine(made_up, tmp_path):
    zones = parse_farm('[machines."Combine A"]\ntime_zone = "America/Chicago"\n')
    write_site(made_up.friendly_lake(), tmp_path, zones)
    # 08:30 UTC is 03:30 in Chicago in July (UTC-5).
    assert "03:30" in field_pages(tmp_path)[0].read_text(encoding="utf-8")


def test_where_nothing_changed_no_reading_is_asked_for(made_up, farm, tmp_path, monkeypatch):
    lake = made_up.friendly_lake()
    first = write_site(lake, tmp_path, farm)
    monkeypatch.setattr(lake, "machine_fields", lambda: pytest.fail("asked for the readings"))
    assert write_site(lake, tmp_path, farm) == {"written": 0, "unchanged": first["written"], "removed": 0}


def test_changes_outside_the_logs_are_told_on_the_page_of_their_day(made_up, farm, tmp_path):
    """A notebook whose clock is three hours ahead of the log."""
    lake = made_up.friendly_lake()
    noted = lake.frames["adjustments"].with_columns(pl.lit("settings log").alias("origin"))
    lake.frames["adjustments"] = noted
    write_site(lake, tmp_path, farm)
    assert not any("outside its logs" in page.read_text("utf-8") for page in field_pages(tmp_path))
    lake.frames["adjustments"] = noted.with_columns(pl.col("time") + pl.duration(hours=3))
    write_site(lake, tmp_path, farm)
    (page,) = [page for page in field_pages(tmp_path) if "outside its logs" in page.read_text("utf-8")]
    assert "they would fit 3 h earlier" in page.read_text("utf-8")
