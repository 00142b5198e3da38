"""Every page of the sample's site and of a site of 40 fields, at three widths, light and dark.

Each page is opened once and drawn again in each look and at each width. axe-core takes a second or more a page, so
it looks at every page of the sample once, and at one page of every kind in every way.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import cycle
from pathlib import Path
from typing import Any

import pytest
from builders.places import SAMPLE_INBOX
from chaffinch.dashboards.pages.site import write_site
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.pipelines.parallel import processes
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side

pytestmark = pytest.mark.browser

WIDTHS, LOOKS = (1440, 800, 390), ("light", "dark")
INBOX = SAMPLE_INBOX


@pytest.fixture(scope="module")
def forty_fields(made_up: Any, farm: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten machines, four fields each, two crops; effects that differ from field to field."""
    import polars as pl

    readings, effects, adjustments, ledger = [], [], [], []
    for number in range(40):
        machine, field = f"Combine {number % 10}", f"Field {number:02d}"
        crop = "wheat" if number % 2 else "barley"
        moved = timedelta(days=number)
        log = made_up.log(machine, field, made_up.MORNING + moved, 3600, crop, delivery=f"d{number}")
        readings.append(
            log.with_columns(
                pl.col("grain_moisture_pct") + 0.1 * number, pl.col("grain_flow_kg_s") * (0.8 + 0.01 * number)
            )
        )
        share = 0.7 + 0.03 * number
        rows = [
            row
            | {
                "machine": machine,
                "field": field,
                "crop": crop,
                "time": row["time"] and row["time"] + moved,
                "joint_id": row["joint_id"] and f"{row['joint_id']} {number}",
            }
            | {name: row[name] and row[name] * share for name in row if name.startswith("log_ratio")}
            for row in made_up.table("effects", made_up.friendly_effects()).to_dicts()
            if row["scope"] != "season"
        ]
        effects += [row | percents_of(row) for row in rows]
        single = {(r["time"], r["setting"]): r for r in rows if r["scope"] == "adjustment"}
        adjustments += [made_up.adjustment(row, 10 * number + k) for k, row in enumerate(single.values())]
        ledger.append(
            made_up.delivery(
                delivery=f"d{number}", name=f"log {number}.csv", machines=[machine], fields=[field],
                first_time=made_up.MORNING + moved, last_time=made_up.MORNING + moved + timedelta(hours=1),
            )
        )  # fmt: skip
    for crop in ("wheat", "barley"):
        pooled = made_up.effect(
            "cleaning_loss", (9.0, 2.0, 16.0), "more", scope="season", time=None, from_value=None,
            to_value=None, per_step=50.0, field=None, machine=None, crop=crop, adjustments_pooled=20,
        )  # fmt: skip
        effects.append(pooled)
    lake = made_up.MadeUpLake(
        readings=pl.concat(readings),
        effects=made_up.table("effects", effects),
        adjustments=made_up.table("adjustments", adjustments),
        deliveries=made_up.table("deliveries", ledger),
    )
    site = tmp_path_factory.mktemp("forty")
    result = write_site(lake, site, farm)
    # Each machine harvests one crop: ten start sheets.
    assert result["written"] == 40 + 10 + 2 + 3 + 10
    return site


def percents_of(row: dict[str, Any]) -> dict[str, float | None]:
    from math import expm1

    ends = ("", "_low", "_high")
    logs = {f"percent{end}": row[f"log_ratio{end}"] for end in ends}
    return {name: None if value is None else 100 * expm1(value) for name, value in logs.items()}


@pytest.fixture(scope="module")
def sample_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    night = run_nightly(INBOX, Lake(folder / "lake"), folder / "site")
    assert night.failed == ()
    return folder / "site"


def test_several_processes_write_the_same_pages(sample_site, tmp_path, monkeypatch):
    monkeypatch.setattr(processes, "FEWEST_FOR_PROCESSES", 2)
    lake = Lake(sample_site.parent / "lake")
    moment = datetime(2026, 7, 23, 5, tzinfo=UTC)
    for name, each in (("1", one_by_one), ("2", side_by_side)):
        write_site(lake, tmp_path / name, lake.farm(), each=each, now=moment)
    one, two = (
        {str(p.relative_to(tmp_path / name)): p.read_bytes() for p in (tmp_path / name).rglob("*.*")}
        for name in ("1", "2")
    )
    assert one == two and len(one) > 15


def every_page(site: Path) -> Iterator[tuple[str, Path]]:
    """(kind, page): one of each kind first in its kind."""
    for page in sorted(site.rglob("*.html")):
        yield (page.parent.name if page.parent != site else page.stem), page


@pytest.mark.parametrize("which", ["sample", "forty"])
def test_every_page_in_every_window(which, visit, read_back, request):
    from axe_playwright_python.sync_playwright import Axe

    site = request.getfixturevalue({"sample": "sample_site", "forty": "forty_fields"}[which])
    pages = list(every_page(site))
    turns = cycle([(width, look) for width in WIDTHS for look in LOOKS])
    # Every page of the sample once, the ways of looking in turn; of forty fields one page a kind, in all ways.
    firsts = dict(reversed(pages))
    audit_at = {page: {next(turns)} for _, page in pages} if which == "sample" else {}
    if which == "forty":
        audit_at = {page: {(width, look) for width in WIDTHS for look in LOOKS} for page in firsts.values()}
    seen = visit()
    tab = seen.page
    audited = compared = 0
    for _, page in pages:
        tab.emulate_media(color_scheme="light")
        tab.set_viewport_size({"width": WIDTHS[0], "height": 900})
        seen.open(page)
        compared += sum(read_back.check(figure) for figure in read_back.figures_of(tab))
        for look in LOOKS:
            in_look(tab, look)
            for width in WIDTHS:
                tab.set_viewport_size({"width": width, "height": 900})
                tab.wait_for_function("document.documentElement.scrollWidth <= innerWidth", timeout=20_000)
                if (width, look) in audit_at.get(page, ()):
                    found = Axe().run(tab, options={"preload": False}).response["violations"]
                    faults = [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found]
                    assert faults == [], f"{page.name} at {width}, {look}"
                    audited += 1
    root = site.resolve().as_uri()
    assert seen.said == []
    assert [url for url in seen.asked if not url.startswith((root, "data:", "blob:"))] == []
    assert audited == (len(pages) if which == "sample" else 6 * len(firsts))
    assert compared > 1000
    kinds = {"index", "season", "nightly", "fields", "machines", "crops", "start_sheets"}
    assert set(firsts) == kinds | ({"sensors", "trials"} if which == "sample" else set())


def in_look(tab: Any, look: str) -> None:
    """Switch to the light or dark look as the system would, and wait until figures have followed."""
    tab.evaluate("delete document.body.dataset.drawn")
    tab.emulate_media(color_scheme=look)
    if look == "light":
        tab.evaluate("document.dispatchEvent(new Event('look'))")
    if tab.locator("script[data-figure]").count():
        tab.wait_for_selector("body[data-drawn=yes]", state="attached", timeout=30_000)
