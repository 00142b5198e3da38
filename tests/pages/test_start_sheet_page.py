"""The start sheet in a browser: quiet, never wider than the window, without faults; hostile names do nothing."""

from __future__ import annotations

from pathlib import Path

import pytest


def sheets(site: Path) -> list[Path]:
    return sorted((site / "start_sheets").glob("*.html"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_quiet_and_never_wider_than_the_window(visit, friendly_site, scheme):
    (sheet,) = sheets(friendly_site)
    seen = visit(scheme=scheme)
    page = seen.open(sheet)
    for width in (1440, 800, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"at {width}"
    assert seen.said == [] and seen.asked == [sheet.as_uri()]
    for link in page.locator("nav a").all():
        assert (sheet.parent / link.get_attribute("href")).resolve().is_file()


def test_the_machine_page_leads_to_it(visit, friendly_site):
    (machine,) = (friendly_site / "machines").glob("*.html")
    page = visit().open(machine)
    page.get_by_text("Start sheets").locator("a").first.click()
    assert page.locator("h1").inner_text() == "Start sheet: Combine A, wheat"


@pytest.mark.browser
def test_axe_finds_no_fault(chromium, friendly_site):
    # Outside check: axe-core's rules (WCAG 2 A and AA, best practices).
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    (sheet,) = sheets(friendly_site)
    for width in (1000, 390):
        with chromium.new_context(bypass_csp=True, viewport={"width": width, "height": 900}) as window:
            page = window.new_page()
            page.goto(sheet.as_uri())
            found = axe.Axe().run(page, options={"preload": False}).response["violations"]
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found] == []


def test_hostile_names_do_nothing(visit, hostile_site):
    assert sheets(hostile_site)
    for sheet in sheets(hostile_site)[:2]:
        seen = visit(width=390)
        page = seen.open(sheet)
        assert seen.said == [] and page.title().startswith("Start sheet: ")
        assert (
            page.evaluate("document.querySelectorAll('script, img, svg[onload], a[href^=http]').length") == 0
        )
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        assert sheet.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")
