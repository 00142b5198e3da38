"""The page of the morning: what it says of files, rows set aside, machines and effects, and when it changes."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import NormalDist

import polars as pl
import pytest
from chaffinch.dashboards.pages.morning_page import Morning, morning_context
from chaffinch.dashboards.pages.overview_page import costly_settings
from chaffinch.dashboards.pages.site import write_site
from chaffinch.dashboards.templates import render
from chaffinch.dashboards.words.machine_lines import machine_lines
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.pipelines.work.sensor_health import Suspicion
from chaffinch.schemas.tables import tables

NOW = datetime(2026, 7, 23, 4, tzinfo=UTC)
LOG = "time,machine,field,crop,speed_m_s,grain_moisture_pct\n" + "".join(
    f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,Combine A,Mill Field,wheat,1.{i % 9},15.{i % 3}\n"
    for i in range(300)
)


def delivery(name: str, **more: object) -> dict[str, object]:
    return {
        "delivery": name, "name": name, "content_sha256": name, "size_bytes": 1, "kind": "harvest log",
        "status": "taken in", "rows_read": 100, "rows_kept": 100, "rows_set_aside": 0, "machines": ["Combine A"],
        "fields": ["Mill Field"], "judgement": "good", "findings": [], "taken_in_at": NOW - timedelta(hours=2),
        "first_time": NOW - timedelta(hours=20), "last_time": NOW - timedelta(hours=10),
    } | more  # fmt: skip


def effect(**more: object) -> dict[str, object]:
    return {
        "scope": "adjustment", "machine": "Combine A", "field": "Mill Field", "crop": "wheat",
        "time": NOW - timedelta(days=1),
        "setting": "fan_speed", "from_value": "900", "to_value": "950", "unit": "rpm", "outcome": "cleaning_loss",
        "percent": -20.0, "percent_low": -30.0, "percent_high": -8.0, "verdict": "less", "reasons": [],
    } | more  # fmt: skip


def frame(name: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    contract = tables()[name]
    return contract.conform(pl.DataFrame(rows, infer_schema_length=None)) if rows else contract.empty()


def machine(name: str, last: datetime, field: str | None = "Mill Field") -> dict[str, object]:
    return {
        "machine": name,
        "field": field,
        "crop": "wheat",
        "readings": 1,
        "first_time": last,
        "last_time": last,
        "day": None,
    }


WHERE_SCHEMA = {
    "machine": pl.String, "field": pl.String, "crop": pl.String, "readings": pl.Int64,
    "first_time": pl.Datetime("us", "UTC"), "last_time": pl.Datetime("us", "UTC"), "day": pl.Date,
}  # fmt: skip


def shown(
    deliveries: list[dict[str, object]] = (),  # type: ignore[assignment]
    effects: list[dict[str, object]] = (),  # type: ignore[assignment]
    set_aside: list[dict[str, object]] = (),  # type: ignore[assignment]
    machines: list[dict[str, object]] = (),  # type: ignore[assignment]
    farm: Farm | None = None,
    **more: object,
) -> tuple[dict, str]:
    """The context of the page and its text."""
    names = ("loss_curves", "adjustments", "responses")
    held = {name: frame(name, []) for name in names} | {
        "deliveries": frame("deliveries", list(deliveries)),
        "effects": frame("effects", list(effects)),
        "set_aside": frame("set_aside", list(set_aside)),
    }
    where = pl.DataFrame(list(machines), schema=WHERE_SCHEMA)
    lines = machine_lines(held["effects"], held["loss_curves"], held["adjustments"])
    worse = costly_settings(held, farm or Farm(), (), lines)
    context = morning_context(where, held, farm or Farm(), Morning(NOW, worse=worse, **more))  # type: ignore[arg-type]
    return context, render("nightly", context, "").decode()


def test_an_empty_lake() -> None:
    _, text = shown()
    assert "No files have been ingested yet." in text


def test_what_came_in_by_machine_and_until_when() -> None:
    old = delivery("old.csv", taken_in_at=NOW - timedelta(days=3))
    farm = delivery("farm.toml", kind="farm", machines=[], fields=[], rows_read=0)
    context, text = shown(
        [delivery("a.csv"), delivery("b.csv", machines=["Combine B"], rows_read=7), farm, old]
    )
    assert [(row["machine"], row["files"], row["rows"]) for row in context["received"]] == [
        ("Combine A", 1, 100),
        ("Combine B", 1, 7),
        ("", 1, 0),
    ]
    assert context["received"][0]["last"] == "22 July 2026, 18:00"
    assert "3 files with 107 rows arrived" in text and "old.csv" not in text
    _, text = shown([old])
    assert "No files in the last 24 hours. The last files arrived on 20 July 2026." in text


def test_worst_files_come_first() -> None:
    rows = [
        delivery("good.csv"),
        delivery("look.csv", judgement="look", findings=["Grain moisture is missing in 30 % of the work."]),
        delivery("bad.bin", status="could not be read", reason="It holds no table.", machines=[], fields=[]),
        delivery("poor.csv", judgement="poor", findings=["No row of this file could be kept."]),
    ]
    context, text = shown(rows, machines=[machine("Combine A", NOW)])
    assert [one["name"] for one in context["unmet"]] == ["bad.bin", "poor.csv", "look.csv"]
    assert "It holds no table." in text and "missing in 30 % of the work." in text
    assert context["unmet"][1]["pages"][0]["href"].startswith("fields/")


def test_the_largest_share_set_aside_comes_first() -> None:
    def aside(file: str, row: int, rule: str) -> dict[str, object]:
        return {
            "delivery": file,
            "file": file,
            "row": row,
            "rule": rule,
            "sentence": f"{rule} in words.",
            "content": "{}",
        }

    rows = [aside("a.csv", i, "bad_time") for i in (4, 5, 6)] + [
        aside("b.csv", 2, "outside_range"),
        aside("c.csv", 2, "x"),
    ]
    files = [
        delivery("a.csv"),
        delivery("b.csv", rows_read=2),
        delivery("c.csv", taken_in_at=NOW - timedelta(days=2)),
    ]
    context, text = shown(files, set_aside=rows)
    assert [(one["file"], one["rows"], one["share"]) for one in context["asides"]] == [
        ("b.csv", 1, 50.0),
        ("a.csv", 3, 3.0),
    ]
    assert "Row 4: bad_time in words." in text


def test_silent_machines() -> None:
    machines = [
        machine("Combine A", NOW),
        machine("Combine B", NOW - timedelta(days=3)),
        machine("Combine C", NOW - timedelta(hours=30)),
        machine("Combine E", NOW - timedelta(days=20)),  # its season has ended
    ]
    farm = parse_farm('[machines."Combine D"]\n[machines."Combine A"]\n')
    context, text = shown(machines=machines, farm=farm)
    assert [(one["machine"], one["days"]) for one in context["silent"]["machines"]] == [
        ("Combine B", 3),
        ("Combine D", None),
    ]
    assert "It is in farm.toml, but no log of it has arrived." in text
    # A clock that runs ahead makes no other machine silent.
    ahead = [machine("Combine A", NOW), machine("Combine B", NOW + timedelta(days=30))]
    assert shown(machines=ahead)[0]["silent"]["machines"] == []
    _, text = shown(machines=[machine("Combine A", NOW - timedelta(days=60))])
    assert "No machine has logged since 24 May 2026: the season has ended." in text
    _, text = shown(machines=[machine("Combine A", NOW - timedelta(days=6))])
    assert "No machine has logged since 17 July 2026, 6 days ago." in text


def measured(log_ratio: float, **more: object) -> dict[str, object]:
    """A row of ``effects`` with its numbers and probability, of a standard error of 0.05."""
    ends = {"": log_ratio, "_low": log_ratio - 0.1, "_high": log_ratio + 0.1}
    numbers = {f"log_ratio{end}": value for end, value in ends.items()}
    numbers |= {f"percent{end}": 100 * math.expm1(value) for end, value in ends.items()}
    clear = abs(log_ratio) > 0.1
    verdict = ("less" if log_ratio < 0 else "more") if clear else "no clear change"
    chance = NormalDist().cdf(-log_ratio / 0.05)
    return effect(**numbers, verdict=verdict, chance_less=chance, **more)


def test_verdicts_that_changed_and_effects_that_are_new() -> None:
    sieve = {"setting": "upper_sieve_opening", "from_value": "14", "to_value": "16", "unit": "mm"}
    before = frame(
        "effects",
        [
            measured(-0.2) | {"verdict": "cannot tell"},
            measured(0.0, outcome="capacity"),
            measured(-0.2, setting="gone", outcome="machine_loss"),
        ],
    )
    now = [
        measured(-0.2),
        measured(0.0, outcome="capacity"),
        measured(0.01, time=NOW, **sieve),
        measured(0.3, time=NOW, setting="rotor_speed"),
    ]
    place = [machine("Combine A", NOW) | {"first_time": NOW - timedelta(days=1)}]
    context, text = shown(effects=now, earlier=before, machines=place)
    answers = context["answers"]
    assert [(one["was"], one["line"].title) for one in answers["changed"]] == [
        ("cleaning loss cannot tell", "Fan speed 900 → 950 rpm")
    ]
    assert [one["line"].title for one in answers["new"]] == ["Separation rotor speed 900 → 950 rpm"]
    assert (answers["quiet"], answers["gone"], answers["count"]) == (1, 1, 3)
    assert "before: cleaning loss cannot tell" in text and "Cleaning loss −18" in text
    _, text = shown(effects=now, earlier=frame("effects", now), machines=place)
    assert "Every verdict is as it was a day ago" in text


def test_a_joint_change_is_shown_once() -> None:
    both = [
        measured(-0.3, joint_id="1"),
        measured(
            -0.3, joint_id="1", setting="upper_sieve_opening", from_value="14", to_value="16", unit="mm"
        ),
    ]
    place = [machine("Combine A", NOW) | {"first_time": NOW - timedelta(days=1)}]
    context, _ = shown(effects=both, machines=place)
    (one,) = context["answers"]["new"]
    assert one["line"].title == "Fan speed 900 → 950 rpm and Upper sieve opening 14 → 16 mm"


def test_what_is_in_force_and_costs_comes_first_with_cautions() -> None:
    moves = [(f"{900 + 10 * k}", f"{910 + 10 * k}", f"Combine {k}") for k in range(9)]
    rows = [
        measured(0.3 + 0.01 * k, from_value=a, to_value=b, machine=name)
        for k, (a, b, name) in enumerate(moves)
    ]
    context, text = shown(effects=rows, machines=[machine(name, NOW) for *_, name in moves])
    assert [one.about for one in context["worse"]] == [f"Combine {k}, Wheat" for k in range(8, 1, -1)]
    assert context["worse"][0].do.replace("\u00a0", " ") == "Go back to 980 rpm: fan speed"
    assert "and 2 more" in text and "Stop the engine" in text
    assert text.index("What to change") < text.index("New answers") < text.index("Files to check")


def test_suspicious_sensors_and_notes_are_shown_with_cautions() -> None:
    suspicion = Suspicion(
        "dead", "Combine A", "Mill Field", NOW.date(), "grain_flow_kg_s", "The grain flow stood at 0."
    )
    _, text = shown(
        machines=[machine("Combine A", NOW)], suspicions=[suspicion], notes=["c.csv is still being written."]
    )
    assert "The grain flow stood at 0." in text and "c.csv is still being written." in text
    assert "Stop the engine" in text


def test_names_are_text() -> None:
    name = "<script>alert(1)</script>"
    suspicion = Suspicion("dead", name, name, NOW.date(), "x", name)
    rows = [delivery(name, machines=[name], fields=[name], judgement="poor", findings=[name])]
    _, text = shown(
        rows,
        [effect(machine=name, field=name, setting=name)],
        machines=[machine(name, NOW, name)],
        suspicions=[suspicion],
        notes=[name],
    )
    assert name not in text


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("morning")
    (folder / "inbox").mkdir()
    (folder / "inbox" / "day.csv").write_text(LOG.replace(",15.1\n", ",99\n", 1))
    run_nightly(folder / "inbox", Lake.open(folder / "lake"), folder / "site")
    return folder


def test_the_page_is_written_and_stands_until_the_next_day(filled: Path) -> None:
    page, lake = filled / "site" / "nightly.html", Lake.open(filled / "lake")
    now = datetime.now(UTC)
    assert "Only this value was dropped" in page.read_text() and "possible: 0 to 60" in page.read_text()
    write_site(lake, filled / "site", Farm(), now=now)
    first = page.stat().st_mtime_ns
    write_site(lake, filled / "site", Farm(), now=now + timedelta(seconds=1))
    assert page.stat().st_mtime_ns == first
    write_site(lake, filled / "site", Farm(), now=now + timedelta(days=2))
    assert "No files in the last 24 hours." in page.read_text()
    assert 'href="nightly.html"' in (filled / "site" / "index.html").read_text()


def test_effects_as_they_stood(filled: Path) -> None:
    lake = Lake.open(filled / "other")
    assert lake.effects_at(datetime.now(UTC)) is None
    lake.replace_effects(frame("effects", [effect(verdict="cannot tell")]))
    between = datetime.now(UTC)
    lake.replace_effects(frame("effects", [effect(verdict="less")]))
    earlier = lake.effects_at(between)
    assert earlier is not None and earlier["verdict"].to_list() == ["cannot tell"]
    now = lake.effects_at(datetime.now(UTC))
    assert now is not None and now["verdict"].to_list() == ["less"]
    assert lake.effects_at(between - timedelta(days=1)) is None
