"""A small made-up lake for page tests, friendly or hostile, and a browser that may look at pages only."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest
from builders import environment
from builders.memory_lake import MemoryLake
from chaffinch.dashboards.pages.site import write_site
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.schemas.tables import tables

MORNING = datetime(2026, 7, 20, 8, 0, tzinfo=UTC)
SOURCE = {"delivery": "d1", "file": "combine_a/log.csv"}
FARM = '[machines."Combine A"]\ntime_zone = "Europe/London"\n'


class MadeUpLake(MemoryLake):
    """A lake that pages are made of."""

    def with_rows(self, **more: pl.DataFrame) -> MadeUpLake:
        """The same with further rows."""
        return MadeUpLake(**self.frames | {n: pl.concat([self.frames[n], f]) for n, f in more.items()})


def log(
    machine: str = "Combine A",
    field: str | None = "Mill Field",
    start: datetime = MORNING,
    seconds: int = 5400,
    crop: str | None = "wheat",
    without: tuple[str, ...] = (),
    delivery: str = "d1",
) -> pl.DataFrame:
    """A harvest log at 1 Hz: passes of 280 s with turns of 20 s; the columns ``without`` stay null."""
    rng = np.random.default_rng(7)
    second = np.arange(seconds)
    working = second % 300 < 280
    along = np.where(second // 300 % 2 == 0, second % 300, 300 - second % 300) * 1.8
    flow = np.where(working, 11 + rng.normal(0, 1, seconds), 0.0).clip(0)
    columns = {
        "latitude": 52.2 + along / 111_195,
        "longitude": -1.4 + (second // 300) * 9 / 68_000,
        "speed_m_s": np.where(working, 1.8, 1.2),
        "working": working.astype(int),
        "working_width_m": np.full(seconds, 9.0),
        "grain_flow_kg_s": flow,
        "grain_moisture_pct": 16 - second / 3600,
        "separation_loss_signal": flow**2 * rng.uniform(0.2, 0.6, seconds),
        "cleaning_loss_signal": flow * rng.uniform(0.5, 2.0, seconds),
    }
    frame = pl.DataFrame({k: v for k, v in columns.items() if k not in without}).with_columns(
        pl.Series("time", [start + timedelta(seconds=int(s)) for s in second]),
        pl.lit(machine).alias("machine"),
        pl.lit(field, pl.String).alias("field"),
        pl.lit(crop, pl.String).alias("crop"),
        pl.lit(delivery).alias("delivery"),
        pl.lit(SOURCE["file"]).alias("file"),
        pl.Series("row", second + 2),
    )
    return tables()["readings"].conform(frame)


def effect(
    outcome: str, percent: tuple[float, float, float] | None, verdict: str, **more: Any
) -> dict[str, Any]:
    """A row of ``effects``; ``percent``: estimate, low and high."""
    numbers: dict[str, Any] = {}
    for end, value in zip(("", "_low", "_high"), percent or (None, None, None), strict=True):
        numbers[f"percent{end}"] = value
        numbers[f"log_ratio{end}"] = None if value is None else float(np.log1p(value / 100))
    row = {
        "scope": "adjustment",
        "machine": "Combine A",
        "field": "Mill Field",
        "crop": "wheat",
        "time": MORNING + timedelta(minutes=30),
        "setting": "fan_speed",
        "from_value": "1000",
        "to_value": "1080",
        "unit": "rpm",
        "reasons": [],
        "readings_before": 1500.0,
        "readings_after": 1400.0,
        "adjustments_pooled": 1,
        "placebos": 40,
    }
    return {**row, "outcome": outcome, "verdict": verdict, **numbers, **more}


def adjustment(row: dict[str, Any], number: int = 1) -> dict[str, Any]:
    """The logged change behind a row of ``effects``."""
    kept = {c: row[c] for c in ("time", "machine", "setting", "from_value", "to_value", "unit")}
    return {**SOURCE, "row": number, "kind": "number", "origin": "settings log", **kept}


def delivery(**more: Any) -> dict[str, Any]:
    row = {
        "delivery": "d1",
        "name": SOURCE["file"],
        "content_sha256": "0" * 64,
        "kind": "harvest log",
        "status": "taken in",
        "rows_read": 5400,
        "rows_kept": 5400,
        "rows_set_aside": 0,
        "machines": ["Combine A"],
        "fields": ["Mill Field"],
        "first_time": MORNING,
        "last_time": MORNING + timedelta(seconds=5399),
        "judgement": "good",
        "taken_in_at": MORNING,
    }
    return {**row, **more}


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    contract = tables()[name]
    frame = pl.DataFrame(rows, schema_overrides=dict(contract.polars_schema()), infer_schema_length=None)
    return contract.conform(frame)


def friendly_effects() -> list[dict[str, Any]]:
    """Three events: a clear one, a joint one, one without a verdict; and a pooled effect."""
    at = {minute: MORNING + timedelta(minutes=minute) for minute in (50, 51, 75)}
    clear = [
        effect(
            "cleaning_loss",
            (31.4, 14.2, 51.3),
            "more",
            hidden_step_percent=14.2,
            hidden_step_share=0.03,
        ),
        effect("separation_loss", (-4.2, -19.6, 14.3), "no clear change"),
        effect(
            "machine_loss",
            (17.0, 3.0, 33.0),
            "more",
            absolute=12.0,
            absolute_low=2.2,
            absolute_high=23.0,
            absolute_unit="kg/ha",
        ),
        effect("capacity", (-4.0, -7.5, -0.9), "less", reasons=["uncalibrated_sum"]),
        effect("throughput", (1.0, -6.0, 8.6), "no clear change"),
        effect("broken_grain", (-12.0, -20.0, -3.1), "less"),
    ]
    joint = [
        effect(
            "cleaning_loss",
            (-24.0, -40.0, -3.1),
            "less",
            time=at[minute],
            setting=setting,
            from_value=before,
            to_value=after,
            unit=unit,
            joint_id="j1",
            reasons=["joint_change"],
        )
        for minute, setting, before, after, unit in (
            (50, "fan_speed", "1080", "1000", "rpm"),
            (51, "upper_sieve_opening", "12", "14", "mm"),
        )
    ]
    unclear = [
        effect(
            outcome,
            None,
            "cannot tell",
            time=at[75],
            setting="chopper_speed",
            from_value="low",
            to_value="high",
            unit=None,
            reasons=["short_after"],
        )
        for outcome in ("separation_loss", "cleaning_loss", "capacity")
    ]
    pooled = [
        effect(
            "cleaning_loss",
            (9.0, 2.0, 16.0),
            "more",
            scope=scope,
            time=None,
            from_value=None,
            to_value=None,
            per_step=50.0,
            field=field,
            adjustments_pooled=3,
        )
        for scope, field in (("field", "Mill Field"), ("season", None))
    ]
    return [*clear, *joint, *unclear, *pooled]


def sensor_job(machine: str = "Combine A", crop: str = "wheat", checks: int = 5) -> dict[str, Any]:
    """A row of ``field_jobs`` with two loss signals of 300 units for 1 kg/s, one often zero, and loss checks."""
    facts = {
        "seconds": 4000.0, "zero_share": 0.0, "zero_by_counting": 0.0, "top_share": 0.001, "step": 0.2,
        "low": 5.0, "median": 20.0, "high": 60.0, "level": 1.0, "slope": 2.8, "slope_error": 0.2,
    }  # fmt: skip
    flat = {**facts, "zero_share": 0.08, "slope": 0.1, "slope_error": 0.05}
    at = MORNING.timestamp()
    pairs = [
        (0.04 * 1.3**k, 300 * 0.04 * 1.3**k * (1.1 if k % 2 else 0.9), at + 900 * k) for k in range(checks)
    ]
    delays = [[7.0, 1.0, True, None, 0.0, "log"]] * 4
    return {
        "job": f"sensors of {machine}", "made_from": "m", "machine": machine, "field": "Mill Field", "harvest": 1,
        "crop": crop, "first_time": MORNING, "last_time": MORNING + timedelta(hours=1), "readings": 5400,
        "bins": 400, "outcomes": ["separation_loss", "cleaning_loss"],
        **{f"{of}_delay_s": 7.0 for of in ("loss", "grain", "separation", "cleaning", "moisture")},
        "flaws": ["cleaning_loss:signal_often_zero"], "calibrated": 0, "loss_checks": json.dumps(pairs),
        "delays_found": json.dumps(delays), "delays_found_in": "d",
        "sensors": json.dumps({"separation_loss": facts, "cleaning_loss": flat}),
    }  # fmt: skip


def friendly_lake() -> MadeUpLake:
    rows = friendly_effects()
    distinct = {(r["time"], r["setting"]): r for r in rows if r["scope"] == "adjustment"}
    ring = "-1.4005 52.1995, -1.397 52.1995, -1.397 52.206, -1.4005 52.206, -1.4005 52.1995"
    aside = {
        **SOURCE,
        "row": 7,
        "rule": "not_a_number",
        "column": "speed_m_s",
        "value": "ERR",
        "content": "{}",
        "sentence": "The value is not a number.",
    }
    return MadeUpLake(
        readings=log(),
        effects=table("effects", rows),
        adjustments=table("adjustments", [adjustment(r, n) for n, r in enumerate(distinct.values(), 1)]),
        deliveries=table(
            "deliveries",
            [
                delivery(
                    status="taken in with rows set aside",
                    rows_set_aside=1,
                    judgement="look",
                    findings=["Moisture is missing in 12 % of the rows."],
                ),
                delivery(
                    delivery="d2",
                    name="broken.csv",
                    kind="unknown",
                    status="could not be read",
                    rows_read=0,
                    reason="The file holds no row with a time.",
                    machines=[],
                    fields=[],
                    first_time=None,
                    last_time=None,
                    judgement=None,
                ),
            ],
        ),
        set_aside=table("set_aside", [aside]),
        field_jobs=table("field_jobs", [sensor_job()]),
        fields=table(
            "fields", [{**SOURCE, "row": 1, "field": "Mill Field", "boundary_wkt": f"POLYGON (({ring}))"}]
        ),
    )


HOSTILE = (
    "<script>document.title='taken'</script>",
    '"><img src=x onerror="document.title=\'taken\'">',
    "</script></title></style><svg onload=\"document.title='taken'\">",
    '=HYPERLINK("http://example.invalid","click")',
    "\u202egnp.exe\u200f\u0000",
    "n" * 300,
    "../../../etc/passwd",
    "%{x} {{ 7 * 7 }} <a href='http://example.invalid'>v</a>",
)


def hostile_lake() -> MadeUpLake:
    """Every text that comes from a file says something it should not."""
    readings, effects, adjustments, ledger, asides = [], [], [], [], []
    for number, text in enumerate(HOSTILE):
        start = MORNING + timedelta(hours=2 * number)
        file = f"{text}.csv"
        readings.append(log(text, text, start, seconds=900, crop=text, delivery=f"d{number}"))
        row = effect(
            "cleaning_loss",
            (31.0, 14.0, 51.0),
            "more",
            machine=text,
            field=text,
            crop=text,
            setting=text,
            time=start + timedelta(minutes=8),
            from_value=text,
            to_value=text + "2",
            unit=text,
        )
        effects += [row, {**row, "scope": "season", "time": None}, {**row, "scope": "field", "time": None}]
        adjustments.append(adjustment(row, number))
        ledger.append(
            delivery(
                delivery=f"d{number}",
                name=file,
                machines=[text],
                fields=[text],
                first_time=start,
                last_time=start + timedelta(minutes=15),
                findings=[text],
                notes=[text],
                reason=text,
                unmatched_columns=[text],
                judgement="poor",
            )
        )
        asides.append(
            {
                "delivery": f"d{number}",
                "file": file,
                "row": 3,
                "rule": "not_a_number",
                "column": text,
                "value": text,
                "sentence": text,
                "content": text,
            }
        )
    return MadeUpLake(
        readings=pl.concat(readings),
        effects=table("effects", effects),
        adjustments=table("adjustments", adjustments),
        deliveries=table("deliveries", ledger),
        set_aside=table("set_aside", asides),
        field_jobs=table("field_jobs", [sensor_job(text, text) for text in HOSTILE]),
    )


@pytest.fixture(scope="session")
def farm() -> Farm:
    return parse_farm(FARM)


@pytest.fixture(scope="session")
def friendly_site(tmp_path_factory: pytest.TempPathFactory, farm: Farm) -> Path:
    site = tmp_path_factory.mktemp("friendly")
    write_site(friendly_lake(), site, farm)
    return site


@pytest.fixture(scope="session")
def hostile_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = tmp_path_factory.mktemp("hostile")
    write_site(hostile_lake(), site, Farm())
    return site


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A running Chromium, or a skip that says how to get one."""
    path = shutil.which(environment.text("CHAFFINCH_CHROMIUM")) or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium: install one or name it in the environment variable CHAFFINCH_CHROMIUM")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(
            executable_path=path, args=[*quiet, "--disable-sync", "--no-first-run"]
        )
        yield browser
        browser.close()


class Visit:
    """One page in one window, with everything it said and asked for."""

    def __init__(self, browser: Any, width: int = 1440, scheme: str = "light", touch: bool = False) -> None:
        self.window = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, has_touch=touch
        )
        self.page = self.window.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        self.page.on("dialog", lambda dialog: (self.said.append("dialog"), dialog.dismiss()))
        self.page.on("request", lambda request: self.asked.append(request.url))

    def open(self, path: Path) -> Any:
        self.page.goto(path.as_uri())
        if self.page.locator("script[data-figure]").count():
            self.page.wait_for_selector("body[data-drawn=yes]", state="attached", timeout=20_000)
        return self.page


@pytest.fixture
def visit(chromium: Any) -> Iterator[Any]:
    """Opens windows and closes them after the test."""
    opened: list[Visit] = []

    def make(**how: Any) -> Visit:
        opened.append(Visit(chromium, **how))
        return opened[-1]

    yield make
    for one in opened:
        one.window.close()


@pytest.fixture(scope="session")
def read_back() -> Any:
    """The module that reads figures back out of a page."""
    from builders import read_back

    return read_back


@pytest.fixture(scope="session")
def made_up() -> SimpleNamespace:
    """The builders above, for tests that make lakes of their own."""
    names = ("MadeUpLake", "MORNING", "SOURCE", "HOSTILE", "log", "effect", "adjustment", "delivery", "table")
    return SimpleNamespace(
        **{name: globals()[name] for name in names},
        friendly_lake=friendly_lake,
        hostile_lake=hostile_lake,
        friendly_effects=friendly_effects,
    )
