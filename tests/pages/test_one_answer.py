"""No page or report contradicts another: the same effect has the same numbers, verdict and worth everywhere."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from chaffinch.dashboards.report.write import write_season
from chaffinch.dashboards.words.settings_that_cost import settings_that_cost
from chaffinch.dashboards.words.terms import OUTCOME_WORDS, setting_change, setting_label, signed
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import ingest_inbox, refresh, write_pages
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.schemas.declarations import settings

SAMPLE = Path(__file__).parents[2] / "sample_data" / "inbox"
MAIN = ("separation_loss", "cleaning_loss", "machine_loss", "throughput", "capacity")
LINE = re.compile(
    r"<h3>(?P<head>.*?)</h3>\s*<p class=\"answer (?P<tone>\w+)\">(?P<answer>.*?)</p>"
    r"(?:\s*<p class=\"worth\">(?P<worth>.*?)</p>)?",
    re.DOTALL,
)
LABELLED: dict[str, list[str]] = {}
for _name in settings():
    LABELLED.setdefault(setting_label(_name).lower(), []).append(_name)
DO = re.compile(r"<p class=\"do\">(?:Keep|Go back to|Try|Compare) (?P<value>[^:<]*): (?P<label>[^<]*?)[.,]")


def text_of(markup: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", markup)).replace("\u00a0", " ").split())


@dataclass(frozen=True)
class Said:
    """One line of a page: about which machine and crop, the change, the answer and its worth."""

    machine: str
    crop: str
    title: str
    answer: str
    worth: str


def lines_said(page: str, machine: str, crop: str) -> list[Said]:
    found = []
    for one in LINE.finditer(page):
        title = text_of(re.search(r"<bdi>(.*?)</bdi>", one["head"], re.DOTALL)[1])
        found.append(Said(machine, crop, title, text_of(one["answer"]), text_of(one["worth"] or "")))
    return found


@pytest.fixture(scope="module", params=["small", pytest.param("sample", marks=pytest.mark.slow)])
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Lake, Path, str]:
    """A lake, its site, and its report as one text."""
    folder = tmp_path_factory.mktemp("told")
    inbox = SAMPLE
    if request.param == "small":
        write_season_files(folder / "s", "plain", 11, fields=4, hours=0.8, machines=2, adjustments=2)
        inbox = folder / "s" / "inbox"
    lake = Lake.open(folder / "lake")
    ingest_inbox(inbox, lake)
    refresh(lake)
    write_pages(lake, folder / "site")
    write_season(lake, 2026, folder / "report.html", lake.farm())
    return lake, folder / "site", (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def said(told: tuple[Lake, Path, str]) -> tuple[list[Said], list[Said]]:
    """Lines of field pages and of machine pages."""
    _, site, _ = told
    fields, machines = [], []
    for path in sorted((site / "fields").iterdir()):
        page = path.read_text(encoding="utf-8")
        machine, crop = (text_of(one) for one in re.findall(r"<bdi>(.*?)</bdi>", page.split("</h1>")[1])[:2])
        fields += lines_said(
            page.split("Loss along the values")[0].split("Each change</h2>")[0], machine, crop
        )
    for path in sorted((site / "machines").iterdir()):
        page = path.read_text(encoding="utf-8")
        name = text_of(re.search(r"<h1>(.*?)</h1>", page)[1])
        parts = re.split(r"<h2 id=\"answers-\d+\">Settings and what they did: <bdi>(.*?)</bdi></h2>", page)
        for crop, part in zip(parts[1::2], parts[2::2], strict=True):
            machines += lines_said(part.split("</section>")[0], name, text_of(crop))
    return fields, machines


def test_a_setting_changed_in_one_field_says_the_same_on_the_machine_page(said):
    """Answer, kg/ha and money; where it was changed in several fields each page is about its own."""
    fields, machines = said
    assert fields and machines
    by_title: dict[tuple[str, str, str], list[Said]] = {}
    for one in fields:
        by_title.setdefault((one.machine, one.crop, one.title), []).append(one)
    compared = 0
    for one in machines:
        here = by_title.get((one.machine, one.crop, one.title), [])
        same_setting = [
            f
            for f in fields
            if f.machine == one.machine
            and f.crop == one.crop
            and f.title.split(" → ")[0].rsplit(" ", 1)[0] == one.title.split(" → ")[0].rsplit(" ", 1)[0]
        ]
        if len(here) == 1 and len(same_setting) == 1:
            assert here[0] == one
            compared += 1
    assert compared > 0


def test_sure_is_said_exactly_where_the_verdict_is_clear(told, said):
    lake, _, _ = told
    effects = lake.scan("effects").collect().filter(pl.col("verdict") != "cannot tell")
    clear = effects["verdict"].is_in(["less", "more"])
    chance = pl.max_horizontal("chance_less", 1 - pl.col("chance_less"))
    sure = effects.select(chance.alias("chance"))["chance"] >= 0.975
    assert (sure == clear).mean() > 0.99
    by_key = {
        (
            row["machine"],
            setting_change(row["setting"], row["from_value"], row["to_value"], row["unit"]),
            OUTCOME_WORDS[row["outcome"]],
        ): row
        for row in effects.filter(scope="adjustment").iter_rows(named=True)
    }
    compared = 0
    for one in said[0]:
        found = re.match(r"(.*?) ([−+]?[\d.]+) % \((.*?) to (.*?)\), (.*)", one.answer)
        row = by_key.get((one.machine, one.title, found[1].lower())) if found else None
        if row is not None and signed(row["percent"]) == found[2]:
            assert (found[3], found[4]) == (signed(row["percent_low"]), signed(row["percent_high"]))
            assert ("sure" in found[5]) == (row["verdict"] in ("less", "more"))
            compared += 1
    assert compared > 0


def test_every_change_has_the_numbers_of_the_table_on_its_page_and_in_the_report(told):
    lake, site, report = told
    effects = (
        lake.scan("effects")
        .collect()
        .filter(
            (pl.col("scope") == "adjustment")
            & pl.col("joint_id").is_null()
            & pl.col("percent").is_not_null()
            & pl.col("outcome").is_in(MAIN)
        )
    )
    pages = [text_of(path.read_text(encoding="utf-8")) for path in (site / "fields").iterdir()]
    whole = text_of(report)
    for row in effects.iter_rows(named=True):
        title = setting_change(row["setting"], row["from_value"], row["to_value"], row["unit"])
        numbers = f"{signed(row['percent_low'])} to {signed(row['percent_high'])}"
        cells = f"{title} {OUTCOME_WORDS[row['outcome']]} {row['verdict']} {signed(row['percent'])} {numbers}"
        assert sum(cells in page for page in pages) >= 1, cells
        # The report's paper has no room for capacity; its sheets have.
        assert row["outcome"] == "capacity" or numbers in whole, (title, numbers)


def test_the_report_values_settings_as_their_pages_do(told, said):
    """Each row of the report's worth has the money of the machine's page."""
    _, _, report = told
    worth = re.search(
        r"<caption>Settings now in force against those before</caption>(.*?)</table>", report, re.DOTALL
    )
    row = (
        r"<tr><th scope=\"row\">(.*?)</th>"
        r"<td><bdi>(.*?)</bdi><br><span class=\"quiet\"><bdi>(.*?)</bdi></span></td>(.*?)</tr>"
    )
    rows = re.findall(row, worth[1] if worth else "", re.DOTALL)
    pages = {(one.machine, one.crop, one.title): one.worth for one in said[1]}
    assert rows
    for title, machine, crop, cells in rows:
        money = text_of(re.findall(r"<td>(.*?)</td>", cells, re.DOTALL)[0])
        on_page = pages[text_of(machine), text_of(crop), text_of(title)]
        assert money == "–" or (money[0].lower() + money[1:]) in on_page


def test_no_instruction_names_a_value_outside_the_range_tried(told):
    lake, site, _ = told
    adjustments = lake.scan("effects").collect().filter(pl.col("scope") == "adjustment")
    named = 0
    for path in (site / "fields").iterdir():
        page = path.read_text(encoding="utf-8")
        machine = text_of(re.findall(r"<bdi>(.*?)</bdi>", page.split("</h1>")[1])[0])
        assert len(re.findall(r"<p class=\"do\">", page)) <= 1
        if (do := DO.search(page)) is None:
            continue
        label = text_of(do["label"])
        mine = adjustments.filter(pl.col("setting").is_in(LABELLED[label]), machine=machine)
        values = {*mine["from_value"], *mine["to_value"]}
        for value in re.findall(r"[\w.]+", text_of(do["value"]).split(" with ")[0])[:1]:
            try:
                number = float(value)
            except ValueError:
                assert value in values
            else:
                tried = [float(one) for one in values if one]
                assert min(tried) <= number <= max(tried)
        named += 1
    assert named > 0


def test_attention_is_asked_only_for_what_is_in_force(told):
    lake, site, _ = told
    tables = {name: lake.scan(name).collect() for name in ("effects", "loss_curves", "adjustments")}
    # In force in a crop: a machine that went on to another crop may have another value there.
    logged = tables["effects"].filter((pl.col("scope") == "adjustment") & (pl.col("setting") != "not logged"))
    last = {(row["machine"], row["crop"], row["setting"]): row["to_value"]
            for row in logged.sort("time").iter_rows(named=True)}  # fmt: skip
    costly = settings_that_cost(tables, lake.farm())
    assert costly
    for one in costly:
        if one.line.setting:
            assert one.line.now is None or last[one.machine, one.crop, one.line.setting] == one.line.now
            assert one.line.settings[0][1] != one.line.now
    page = text_of((site / "index.html").read_text(encoding="utf-8"))
    for one in costly[:7]:
        assert text_of(one.sentence) in page
