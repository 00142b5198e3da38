"""The season report as people get it: in a browser, as sheets, on paper."""

from __future__ import annotations

import re
import shutil
import subprocess
import warnings
from base64 import b64encode
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import polars as pl
import pytest
from builders.pages_said import cells_of
from chaffinch.dashboards.report.write import write_season
from chaffinch.pipelines.farm import Farm, parse_farm

CLIENT = '</style><script>document.title="taken"</script> & =HYPERLINK("http://example.invalid")'


def farm_of(client: str = "Rook Hill Farm", **more: str) -> Farm:
    text = f"[client]\nname = '''{client}'''\nnotes = '''=1+1 <b>bold</b>'''\n"
    text += "[prices]\nper_t = { wheat = 200 }\n"
    return parse_farm("".join(f"{key} = '{value}'\n" for key, value in more.items()) + text)


@pytest.fixture(scope="module")
def report(made_up: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("season") / "report.html"
    write_season(made_up.friendly_lake(), 2026, out, farm_of())
    return out


@pytest.fixture(scope="module")
def hostile_report(made_up: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("hostile_season") / "report.html"
    write_season(made_up.hostile_lake(), 2026, out, farm_of(CLIENT))
    return out


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_quiet_whole_and_never_wider_than_the_window(visit, report, scheme):
    seen = visit(scheme=scheme)
    page = seen.open(report)
    for width in (1440, 800, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"at {width}"
        spilt = "[...document.querySelectorAll('td, th')].filter(c => c.scrollWidth > c.clientWidth + 1)"
        assert page.evaluate(f"{spilt}.map(c => c.innerText)") == [], f"cells run over at {width}"
    assert seen.said == []
    assert seen.asked == [report.as_uri()]


def test_axe_finds_no_fault(chromium, report):
    # Outside check: axe-core's rules (WCAG 2 A and AA, best practices).
    try:
        from axe_playwright_python.sync_playwright import Axe
    except ImportError:
        warnings.warn("axe-playwright-python is not installed: the report was not audited", stacklevel=1)
        pytest.skip("axe-playwright-python is not installed")
    with chromium.new_context(bypass_csp=True, viewport={"width": 1000, "height": 900}) as window:
        page = window.new_page()
        page.goto(report.as_uri())
        found = Axe().run(page, options={"preload": False}).response["violations"]
    assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found] == []


def test_hostile_names_do_nothing_and_are_shown(visit, hostile_report):
    seen = visit(width=390)
    page = seen.open(hostile_report)
    assert seen.said == [] and page.title().endswith("Season report 2026")
    assert page.evaluate("document.querySelectorAll('script, img, svg[onload], a[href^=http]').length") == 0
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.locator(".client").inner_text() == CLIENT


def test_every_entry_of_the_contents_leads_to_a_heading(visit, report):
    page = visit().open(report)
    links = page.locator("nav a")
    assert links.count() == 10
    for i in range(links.count()):
        target = page.locator(links.nth(i).get_attribute("href"))
        assert target.evaluate("e => e.tagName") == "H2"
        assert target.inner_text() == links.nth(i).inner_text()


def test_the_figure_draws_the_numbers_of_the_table(visit, made_up, report):
    """The bar of the one pooled effect, read back from the picture, against the row it was made from."""
    page = visit().open(report)
    row = [r for r in made_up.friendly_lake().frames["effects"].to_dicts() if r["scope"] == "season"][0]
    bar, zero, ticks, words = page.evaluate(
        """() => { const f = document.querySelector('svg.forest'), n = (e, a) => +e.getAttribute(a);
            const b = f.querySelector('.bar'), t = [...f.querySelectorAll('text.scale')].slice(0, -1);
            return [[n(b, 'x1'), n(b, 'x2')], n(f.querySelector('.zero'), 'x1'),
                    t.map(e => [e.textContent, n(e, 'x')]), f.textContent]; }"""
    )
    # Half and double lie equally far from zero on the axis: a log scale, fixed by its own tick of +25 %.
    at = dict(ticks)
    scale = (at["+25"] - zero) / 0.22314  # ln 1.25, from a table of logarithms
    assert (bar[0] - zero) / scale == pytest.approx(row["log_ratio_low"], abs=0.003)
    assert (bar[1] - zero) / scale == pytest.approx(row["log_ratio_high"], abs=0.003)
    table = page.locator("table", has_text="Pooled effects, Wheat").inner_text()
    assert "+9.0 % (+2.0 to +16)" in words and "▲ +9.0 (+2.0 to +16)" in table


def test_the_logo_of_the_inbox_is_shown_wherever_the_report_is_made(made_up, tmp_path):
    # The smallest PNG there is to show: one red pixel, in the data URI that the lake gives.
    pixel = (
        "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGP4z8AAAAMBAQDJ/pLvAAAA"
        "AElFTkSuQmCC"
    )
    lake = made_up.friendly_lake()
    lake.picture = {"rook.png": pixel}.get
    farm = parse_farm('[client]\nname = "Rook Hill Farm"\nlogo = "rook.png"\n')
    result = write_season(lake, 2026, tmp_path / "report.html", farm)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert result["notes"] == []
    assert f'<img class="logo" src="{pixel}" alt="Logo of Rook Hill Farm">' in text


def test_a_logo_is_on_paper_and_a_broken_one_is_left_out_with_a_sentence(made_up, tmp_path):
    space = "xmlns='http://www.w3.org/2000/svg'"
    drawn = f"<svg {space} viewBox='0 0 9 9'><path d='M0 0h9v9z' fill='#8a3310'/></svg>"
    broken = "data:image/png;base64," + b64encode(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDRnothing more").decode()
    front = '[client]\nname = "Rook Hill Farm"\nlogo = "rook.{}"\n'
    made = {}
    for kind, uri in (
        ("svg", "data:image/svg+xml;base64," + b64encode(drawn.encode()).decode()),
        ("png", broken),
    ):
        lake = made_up.friendly_lake()
        lake.picture = {f"rook.{kind}": uri}.get
        out = tmp_path / f"{kind}.pdf"
        made[kind] = (
            write_season(lake, 2026, out, parse_farm(front.format(kind)))["notes"],
            out.stat().st_size,
        )
    assert made["svg"][0] == []
    (sentence,) = made["png"][0]
    assert sentence.startswith("The logo of farm.toml is left out. The PDF can't be made:")
    assert made["png"][1] < made["svg"][1]


def test_the_same_data_give_the_same_bytes(made_up, report, tmp_path):
    again, sheets, twin = (tmp_path / name for name in ("again.html", "a.xlsx", "b.xlsx"))
    write_season(made_up.friendly_lake(), 2026, again, farm_of())
    assert again.read_bytes() == report.read_bytes()
    for out in (sheets, twin):
        write_season(made_up.friendly_lake(), 2026, out, farm_of())
    assert sheets.read_bytes() == twin.read_bytes()


def pages_of(pdf: Path) -> list[str]:
    said = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True)
    return said.stdout.rstrip("\f").split("\f")


needs_pdftotext = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")


@needs_pdftotext
def test_the_pdf_has_headers_page_numbers_and_every_section(made_up, tmp_path, monkeypatch):
    """Made by the program alone: no other program is found on the way."""
    out = tmp_path / "report.pdf"
    with monkeypatch.context() as nothing:
        nothing.setenv("PATH", str(tmp_path))
        write_season(made_up.friendly_lake(), 2026, out, farm_of())
    pages = pages_of(out)
    assert "Rook Hill Farm" in pages[0] and "What to do next season" in pages[0]
    assert not pages[0].rstrip().endswith(f"1 of {len(pages)}") or len(pages) > 1
    for number, page in enumerate(pages[1:], 2):
        assert page.lstrip().startswith("Rook Hill Farm · Season report 2026"), f"page {number}"
        assert page.rstrip().endswith(f"{number} of {len(pages)}"), f"page {number}"
    whole = "\n".join(pages)
    contents = re.findall(r"^ *(\S.*?) (?:\. ?)+[ \u2060]*(\d+)$", whole, flags=re.M)
    assert [heading for heading, _ in contents][:2] == ["What to do next season", "What was learned"]
    assert len(contents) == 10
    for heading, at in contents:
        assert re.search(rf"^ *{re.escape(heading)}$", pages[int(at) - 1], flags=re.M), f"{heading}: {at}"
    headings = {h for h, _ in contents} | {"Wheat", "Combine A", "Clear over the season"}
    for number, page in enumerate(pages[1:], 2):
        *rest, last, _ = [line.strip() for line in page.splitlines() if line.strip()]
        assert last not in headings and not last.startswith(("Setting ", "Change ")), f"page {number}: {last}"
    assert "Before anyone touches the machine" in whole and "Lock the raised header" in whole


@needs_pdftotext
def test_texts_of_the_farm_are_never_read_as_markup_of_the_pdf(made_up, tmp_path):
    client = "#panic() *bold* $x$ \\ <label> `raw` @ref = head"
    write_season(made_up.hostile_lake(), 2026, tmp_path / "report.pdf", farm_of(client))
    whole = "\n".join(pages_of(tmp_path / "report.pdf"))
    assert client in whole and "=1+1 <b>bold</b>" in whole


def test_the_same_data_print_the_same_pdf(made_up, tmp_path):
    for name in ("one.pdf", "other.pdf"):
        write_season(made_up.friendly_lake(), 2026, tmp_path / name, farm_of())
    one, other = ((tmp_path / name).read_bytes() for name in ("one.pdf", "other.pdf"))
    # Dated by the last reading, in the form of ISO 32000-1, 7.9.4.
    assert one == other and b"D:20260720092959Z" in one


@needs_pdftotext
def test_the_front_is_that_of_farm_toml(made_up, tmp_path):
    front = "[client]\nname = 'Rook Hill Farm'\ntitle = 'Settings 2026'\nconsultant = 'A. Wren'\ndate = 2026-10-05\n"
    write_season(made_up.friendly_lake(), 2026, tmp_path / "report.pdf", parse_farm(front))
    first = pages_of(tmp_path / "report.pdf")[0]
    assert [line.strip() for line in first.splitlines() if line.strip()][:3] == [
        "Rook Hill Farm",
        "Settings 2026",
        "Season 2026, by A. Wren, 5 October 2026",
    ]


def test_sheets_have_typed_cells_frozen_headers_filters_and_no_formula(made_up, tmp_path):
    out = tmp_path / "report.xlsx"
    write_season(made_up.hostile_lake(), 2026, out, farm_of(CLIENT))
    with ZipFile(out) as parts:
        names = [n for n in parts.namelist() if n.startswith("xl/worksheets/sheet")]
        assert len(names) == 12
        for name in names:
            text = parts.read(name).decode()
            assert 'state="frozen"' in text and "<autoFilter" in text, name
            assert "<f>" not in text and "<hyperlink" not in text, name
        assert not [n for n in parts.namelist() if "externalLink" in n or n.endswith("sheet1.xml.rels")]
    assert {"A": "Client", "B": CLIENT} in cells_of(out, 2)
    assert {"A": "Notes", "B": "=1+1 <b>bold</b>"} in cells_of(out, 2)
    assert all(len(cells_of(out, sheet)[0]) <= 15 for sheet in range(1, 13))


def test_numbers_in_the_sheets_are_those_of_the_effects(made_up, tmp_path):
    out = tmp_path / "report.xlsx"
    lake = made_up.friendly_lake()
    write_season(lake, 2026, out, farm_of())
    held = lake.frames["effects"].filter(pl.col("scope") == "adjustment")
    for sheet, shown, column in ((5, "Change, %", "percent"), (6, "Change, kg/ha", "absolute")):
        head, *rows = cells_of(out, sheet)
        at = {name: letter for letter, name in head.items()}
        assert {"Time (UTC)", "Machine", "Outcome", shown} <= set(at)
        found = {(r[at["Outcome"]], r.get(at[shown])) for r in rows}
        result = {(o.replace("_", " ").replace("non grain", "non-grain"), value)
                  for o, value in held.select("outcome", column).iter_rows()
                  if value is not None or sheet == 5}  # fmt: skip
        assert found == result


def test_us_units_and_letter_paper(made_up, tmp_path):
    out, lake = tmp_path / "report.html", made_up.friendly_lake()
    # The joint change after it set the fan back: alone, it is in force.
    lake.frames["effects"] = lake.frames["effects"].filter(pl.col("joint_id").is_null())
    lake.frames["adjustments"] = lake.frames["adjustments"].filter(~pl.col("to_value").is_in(["1000", "14"]))
    write_season(lake, 2026, out, farm_of(units="us"))
    text = out.read_text(encoding="utf-8")
    # 12 kg/ha more lost = -12 x 2.20462 lb/kg / 2.47105 ac/ha = -10.7 lb/ac (NIST SP 811, appendix B.8).
    assert (
        re.search(r"Grain saved, lb/ac.*−11<", text, re.DOTALL) and "kg/ha" not in text.split("</style>")[1]
    )


@needs_pdftotext
def test_us_paper_is_letter(made_up, tmp_path):
    write_season(made_up.friendly_lake(), 2026, tmp_path / "report.pdf", farm_of(units="us"))
    said = subprocess.run(
        ["pdfinfo", str(tmp_path / "report.pdf")], capture_output=True, text=True, check=True
    )
    assert "612 x 792 pts" in said.stdout  # 8.5 by 11 inches of 72 points


def test_us_units_in_the_sheets_too(made_up, tmp_path):
    out = tmp_path / "report.xlsx"
    write_season(made_up.friendly_lake(), 2026, out, farm_of(units="us"))
    with ZipFile(out) as parts:
        everything = parts.read("xl/sharedStrings.xml").decode()
    assert not re.search(r"kg/ha|t/ha|km/h|, t</t>|, kg</t>|, ha</t>", everything)
    assert "Change, lb/ac" in everything and "Unit of grain" in everything and "bu" in everything
    # 12 kg/ha x 2.20462 lb/kg / 2.47105 ac/ha = 10.706 lb/ac (NIST SP 811, appendix B.8).
    numbers = [value for sheet in range(1, 13) for row in cells_of(out, sheet) for value in row.values()]
    assert any(isinstance(v, float) and abs(v - 10.706) < 0.001 for v in numbers)
