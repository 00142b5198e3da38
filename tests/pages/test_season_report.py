"""The season report as people get it: in a browser, as sheets, on paper."""

from __future__ import annotations

import re
import shutil
import subprocess
import warnings
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from zipfile import ZipFile

import polars as pl
import pytest
from chaffinch.dashboards.report.write import write_season
from chaffinch.pipelines.errors import CallError, ChaffinchError
from chaffinch.pipelines.farm import Farm, parse_farm

CLIENT = '</style><script>document.title="taken"</script> & =HYPERLINK("http://example.invalid")'
SHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


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
    assert seen.said == [] and page.title().endswith("season report 2026")
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
    table = page.locator("table.pooled").first.inner_text()
    assert "+9.0 % (+2.0 to +16)" in words and "+9.0" in table and "+2.0 to +16" in table


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


def test_the_same_data_give_the_same_bytes(made_up, report, tmp_path):
    again, sheets, twin = (tmp_path / name for name in ("again.html", "a.xlsx", "b.xlsx"))
    write_season(made_up.friendly_lake(), 2026, again, farm_of())
    assert again.read_bytes() == report.read_bytes()
    for out in (sheets, twin):
        write_season(made_up.friendly_lake(), 2026, out, farm_of())
    assert sheets.read_bytes() == twin.read_bytes()


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_pdf_has_headers_page_numbers_and_every_section(chromium, made_up, tmp_path):
    out = tmp_path / "report.pdf"
    write_season(made_up.friendly_lake(), 2026, out, farm_of())
    text = subprocess.run(["pdftotext", "-layout", str(out), "-"], capture_output=True, text=True, check=True)
    pages = text.stdout.rstrip("\f").split("\f")
    assert "Rook Hill Farm" in pages[0] and "Contents" in pages[0] and f"of {len(pages)}" not in pages[0]
    for number, page in enumerate(pages[1:], 2):
        assert page.lstrip().startswith("Rook Hill Farm · Season report 2026"), f"page {number}"
        assert page.rstrip().endswith(f"{number} of {len(pages)}"), f"page {number}"
    for heading in ("Summary", "What it was worth", "How the effects were found", "Before anyone touches"):
        assert any(heading in page for page in pages[1:]), heading
    contents = re.findall(r"^ *(\d+) +(\S.*?) {2,}(\d+)$", pages[0].partition("Contents")[2], flags=re.M)
    assert [int(number) for number, _, _ in contents] == list(range(1, 11))
    for _, heading, at in contents:
        assert re.search(rf"^ *{re.escape(heading)}$", pages[int(at) - 1], flags=re.M), f"{heading}: {at}"
    headings = {h for _, h, _ in contents} | {"Wheat", "Combine A", "What else to know", "Change by change"}
    for number, page in enumerate(pages[1:], 2):
        *rest, last, _ = [line.strip() for line in page.splitlines() if line.strip()]
        assert last not in headings and not last.startswith(("Setting ", "Change ")), f"page {number}: {last}"


@pytest.mark.browser
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_same_data_print_the_same_pdf(chromium, made_up, tmp_path):
    """To the byte nearly always, but not by promise: Chromium once numbered a tag of the same page otherwise."""
    printed = []
    for name in ("one.pdf", "other.pdf"):
        write_season(made_up.friendly_lake(), 2026, tmp_path / name, farm_of())
        call = ["pdftotext", "-layout", str(tmp_path / name), "-"]
        text = subprocess.run(call, capture_output=True, check=True).stdout
        printed.append((text, (tmp_path / name).stat().st_size, dates_in(tmp_path / name)))
    assert printed[0] == printed[1] and printed[0][2] != []


def dates_in(pdf: Path) -> list[bytes]:
    said = subprocess.run(["pdfinfo", "-isodates", str(pdf)], capture_output=True, check=True).stdout
    return re.findall(rb"^(?:CreationDate|ModDate): *(.*)$", said, re.MULTILINE)


def test_without_a_chromium_a_sentence_says_how_to_get_one(made_up, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CHAFFINCH_CHROMIUM", raising=False)
    with pytest.raises(CallError, match=r"Install the package chromium.*CHAFFINCH_CHROMIUM.*\.html"):
        write_season(made_up.friendly_lake(), 2026, tmp_path / "report.pdf", farm_of())
    assert list(tmp_path.iterdir()) == []


def cells_of(out: Path, sheet: int) -> list[dict[str, Any]]:
    """Rows of a sheet: column letters to texts or numbers, read from the parts of the package (ECMA-376)."""
    with ZipFile(out) as parts:
        shared = ElementTree.fromstring(parts.read("xl/sharedStrings.xml"))
        texts = ["".join(t.text or "" for t in item.iter(f"{SHEET}t")) for item in shared]
        page = ElementTree.fromstring(parts.read(f"xl/worksheets/sheet{sheet}.xml"))
    rows = []
    for row in page.iter(f"{SHEET}row"):
        found = {}
        for cell in row:
            value = cell.findtext(f"{SHEET}v")
            letter = re.sub(r"\d", "", cell.attrib["r"])
            if value is not None:
                found[letter] = texts[int(value)] if cell.get("t") == "s" else float(value)
        rows.append(found)
    return rows


def test_sheets_have_typed_cells_frozen_headers_filters_and_no_formula(made_up, tmp_path):
    out = tmp_path / "report.xlsx"
    write_season(made_up.hostile_lake(), 2026, out, farm_of(CLIENT))
    with ZipFile(out) as parts:
        names = [n for n in parts.namelist() if n.startswith("xl/worksheets/sheet")]
        assert len(names) == 9
        for name in names:
            text = parts.read(name).decode()
            assert 'state="frozen"' in text and "<autoFilter" in text, name
            assert "<f>" not in text and "<hyperlink" not in text, name
        assert not [n for n in parts.namelist() if "externalLink" in n or n.endswith("sheet1.xml.rels")]
    assert {"A": "Client", "B": CLIENT} in cells_of(out, 1)
    assert {"A": "Notes", "B": "=1+1 <b>bold</b>"} in cells_of(out, 1)


def test_numbers_in_the_sheets_are_those_of_the_effects(made_up, tmp_path):
    out = tmp_path / "report.xlsx"
    lake = made_up.friendly_lake()
    write_season(lake, 2026, out, farm_of())
    head, *rows = cells_of(out, 4)
    column = {name: letter for letter, name in head.items()}
    assert {"Time (UTC)", "Work before, min", "Change, %", "Low end, %", "Change, kg/ha"} <= set(column)
    shown = {(r[column["Outcome"]], r.get(column["Change, %"]), r.get(column["Change, kg/ha"])) for r in rows}
    held = lake.frames["effects"].filter(pl.col("scope") == "adjustment")
    result = {(o.replace("_", " ").replace("non grain", "non-grain"), p, a)
            for o, p, a in held.select("outcome", "percent", "absolute").iter_rows()}  # fmt: skip
    assert shown == result


def test_us_units_and_letter_paper(made_up, tmp_path):
    out, lake = tmp_path / "report.html", made_up.friendly_lake()
    # The joint change after it set the fan back: alone, it is in force.
    lake.frames["effects"] = lake.frames["effects"].filter(pl.col("joint_id").is_null())
    lake.frames["adjustments"] = lake.frames["adjustments"].filter(~pl.col("to_value").is_in(["1000", "14"]))
    write_season(lake, 2026, out, farm_of(units="us"))
    text = out.read_text(encoding="utf-8")
    # 12 kg/ha more lost = -12 x 2.20462 lb/kg / 2.47105 ac/ha = -10.7 lb/ac (NIST SP 811, appendix B.8).
    assert "−11\u00a0lb/ac" in text and "kg/ha</" not in text
    assert "size: letter" in text


def test_us_units_in_the_sheets_too(made_up, tmp_path):
    out = tmp_path / "report.xlsx"
    write_season(made_up.friendly_lake(), 2026, out, farm_of(units="us"))
    with ZipFile(out) as parts:
        everything = parts.read("xl/sharedStrings.xml").decode()
    assert not re.search(r"kg/ha|t/ha|km/h|, t</t>|, kg</t>|, ha</t>", everything)
    assert "Change, lb/ac" in everything and "Unit of grain" in everything and "bu" in everything
    # 12 kg/ha x 2.20462 lb/kg / 2.47105 ac/ha = 10.706 lb/ac (NIST SP 811, appendix B.8).
    numbers = [value for sheet in range(1, 6) for row in cells_of(out, sheet) for value in row.values()]
    assert any(isinstance(v, float) and abs(v - 10.706) < 0.001 for v in numbers)


def test_a_program_that_prints_nothing_gives_a_sentence_and_no_file(made_up, tmp_path, monkeypatch):
    monkeypatch.setenv("CHAFFINCH_CHROMIUM", "false")
    with pytest.raises(ChaffinchError, match=r"printed nothing: exit 1\. Write \.html instead\."):
        write_season(made_up.friendly_lake(), 2026, tmp_path / "report.pdf", farm_of())
    monkeypatch.setenv("CHAFFINCH_CHROMIUM", "no-such-program")
    with pytest.raises(CallError, match="CHAFFINCH_CHROMIUM names no-such-program, which is no program"):
        write_season(made_up.friendly_lake(), 2026, tmp_path / "report.pdf", farm_of())
    assert list(tmp_path.iterdir()) == []
