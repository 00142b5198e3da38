"""No page or report contradicts another: the same effect has the same numbers, verdict and worth everywhere."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from builders.pages_said import LINE, Said, by_crop, lines_said, named_rows, tables_of, text_of
from chaffinch.dashboards.report.write import write_season
from chaffinch.dashboards.start_sheet.what_to_change import SYMPTOMS
from chaffinch.dashboards.words.begun_trials import begun_trials
from chaffinch.dashboards.words.confidence import chance_in_words
from chaffinch.dashboards.words.machine_lines import machine_lines
from chaffinch.dashboards.words.settings_that_cost import settings_that_cost
from chaffinch.dashboards.words.terms import (
    OUTCOME_WORDS,
    crop_label,
    day,
    percent_range,
    pooled_name,
    setting_change,
    setting_label,
    signed,
)
from chaffinch.dashboards.words.trial_words import shown_trials
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import ingest_inbox, refresh, write_pages
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.pipelines.trials.answers.standing import standings
from chaffinch.schemas.declarations import settings

SAMPLE = Path(__file__).parents[2] / "sample_data" / "inbox"
MAIN = ("separation_loss", "cleaning_loss", "machine_loss", "throughput", "capacity")
LABELLED: dict[str, list[str]] = {}
for _name in settings():
    LABELLED.setdefault(setting_label(_name).lower(), []).append(_name)
DO = re.compile(
    r"<p class=\"do\">(?P<verb>Keep|Go back to|Try|Compare|Set|Leave it at) (?P<value>[^:<]*): (?P<label>[^<]*?)"
    r"(?:, [^<]*)?\.</p>"
)
ADVICE = re.compile(
    r"<th scope=\"row\"><strong>(.*?)</strong>.*?</th>"
    r"<td[^>]*><bdi>(.*?)</bdi><br><span class=\"quiet\"><bdi>(.*?)</bdi></span></td>",
    re.DOTALL,
)
MOST_LISTED = 7


@dataclass(frozen=True)
class Told:
    """One instruction: on which page, about which machine and crop, and the value that it names."""

    page: str
    machine: str
    crop: str
    verb: str
    value: str
    label: str


SEASONS = {
    "small": {"seed": 11, "fields": 4, "hours": 0.8, "machines": 2, "adjustments": 2},
    "forty": {"seed": 40404, "fields": 40, "hours": 1.0, "machines": 4, "adjustments": 3},
}


@pytest.fixture(
    scope="module",
    params=["small", *(pytest.param(name, marks=pytest.mark.slow) for name in ("sample", "forty"))],
)
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Lake, Path, str]:
    """A lake, its site, and its report as one text."""
    folder = tmp_path_factory.mktemp("told")
    inbox = SAMPLE
    if request.param in SEASONS:
        write_season_files(folder / "s", "plain", **SEASONS[request.param])
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
        for crop, part in by_crop(page):
            machines += lines_said(part, name, crop)
    return fields, machines


@pytest.fixture(scope="module")
def instructions(told: tuple[Lake, Path, str]) -> list[Told]:
    """Every instruction of field pages, machine pages, the overview and the morning page."""
    _, site, _ = told
    found = []

    def add(page: str, machine: str, crop: str, markup: str) -> None:
        for one in DO.finditer(markup):
            value = text_of(one["value"])
            found.append(Told(page, machine, crop, one["verb"], value, text_of(one["label"])))

    for path in sorted((site / "fields").iterdir()):
        page = path.read_text(encoding="utf-8")
        machine, crop = (text_of(one) for one in re.findall(r"<bdi>(.*?)</bdi>", page.split("</h1>")[1])[:2])
        assert len(re.findall(r"<p class=\"do\">", page)) <= 1
        add("field", machine, crop, page)
    for path in sorted((site / "machines").iterdir()):
        page = path.read_text(encoding="utf-8")
        for crop, part in by_crop(page):
            add("machine", text_of(re.search(r"<h1>(.*?)</h1>", page)[1]), crop, part)
    for name in ("index", "nightly"):
        page = (site / f"{name}.html").read_text(encoding="utf-8")
        for about, rest in re.findall(r"<li><a href=\"machines/[^>]*>(.*?)</a>(.*?)</li>", page, re.DOTALL):
            machine, crop = text_of(about).rsplit(", ", 1)
            add(name, machine, crop, rest)
    return found


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
    by_key: dict[tuple[str, str, str], list[tuple[str, ...]]] = {}
    for row in effects.filter(scope="adjustment").iter_rows(named=True):
        title = setting_change(row["setting"], row["from_value"], row["to_value"], row["unit"])
        numbers = (signed(row["percent"]), signed(row["percent_low"]), signed(row["percent_high"]))
        said_sure = "sure" if row["verdict"] in ("less", "more") else "not sure"
        by_key.setdefault((row["machine"], title, OUTCOME_WORDS[row["outcome"]]), []).append(
            (*numbers, said_sure)
        )
    compared = 0
    for one in said[0]:
        found = re.match(r"(.*?) ([−+]?[\d.]+) % \((.*?) to (.*?)\), (.*)", one.answer)
        rows = by_key.get((one.machine, one.title, found[1].lower()), []) if found else []
        # A change made several times in a field has an answer of its own.
        if found and not one.of_several and found[2] in [row[0] for row in rows]:
            assert (*found.groups()[1:4], "sure" if "sure" in found[5] else "not sure") in rows
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
        r"<td data-name=\"Machine, crop\"><bdi>(.*?)</bdi><br><span class=\"quiet\"><bdi>(.*?)</bdi></span></td>"
        r"(.*?)</tr>"
    )
    rows = re.findall(row, worth[1] if worth else "", re.DOTALL)
    pages = {(one.machine, one.crop, one.title): one.worth for one in said[1]}
    assert rows
    for title, machine, crop, cells in rows:
        money = text_of(re.search(r"<td data-name=\"Money\"[^>]*>(.*?)</td>", cells, re.DOTALL)[1])
        on_page = pages[text_of(machine), text_of(crop), text_of(title)]
        assert money == "–" or money.lower() in on_page.lower()


def test_no_instruction_names_a_value_outside_the_range_tried(told, instructions):
    lake, _, _ = told
    adjustments = lake.scan("effects").collect().filter(pl.col("scope") == "adjustment")
    named = 0
    for one in instructions:
        if one.verb == "Keep" and one.value == "it up":
            continue
        mine = adjustments.filter(pl.col("setting").is_in(LABELLED[one.label]), machine=one.machine)
        values = {*mine["from_value"], *mine["to_value"]} - {None}
        for value in one.value.removesuffix(" again").split(" with "):
            told_value = value.split(" ")[0]
            try:
                number = float(told_value)
            except ValueError:
                assert value in values, one
            else:
                tried = [float(known) for known in values]
                assert min(tried) <= number <= max(tried), one
        named += 1
    assert named > 0


def test_no_two_pages_tell_a_machine_to_set_a_setting_differently(instructions):
    by_setting: dict[tuple[str, str, str], set[tuple[str, str]]] = {}
    for one in instructions:
        by_setting.setdefault((one.machine, one.crop, one.label), set()).add((one.verb, one.value))
    assert [(key, said) for key, said in by_setting.items() if len(said) > 1] == []


def test_the_report_advises_what_the_pages_instruct(told, instructions):
    """Value and kind of every instruction for a single setting, in the report's rows for next season."""
    _, _, report = told
    advised: dict[tuple[str, str, str], set[tuple[str, str]]] = {}
    for caption in (
        "Most money first; from → to lies within the values tried",
        "Every setting of every machine and crop",
    ):
        table = re.search(rf"<caption>{caption}</caption>(.*?)</table>", report, re.DOTALL)
        for band in re.split(r"class=\"band\"[^>]*>", table[1] if table else "")[1:]:
            kind = text_of(band).split(":")[0].split(" ")[0]
            for title, machine, crop in ADVICE.findall(band):
                if text_of(title).count(" → ") > 1:
                    continue  # changed together
                _, after = text_of(title).split(" → ")
                label = next(known for known in LABELLED if text_of(title).lower().startswith(f"{known} "))
                key = (text_of(machine), text_of(crop), label)
                advised.setdefault(key, set()).add((kind, after))
    assert advised
    compared = 0
    for one in instructions:
        if one.verb in ("Compare", "Leave it at") or one.label not in LABELLED or one.value == "it up":
            continue
        kind = "Keep" if one.verb == "Keep" else "Change"
        assert advised[one.machine, one.crop, one.label] == {(kind, one.value.removesuffix(" again"))}, one
        compared += 1
    assert compared > 0


def test_the_machine_page_speaks_of_every_change_in_which_the_machine_took_part(told, said):
    lake, site, _ = told
    effects = (
        lake.scan("effects")
        .collect()
        .filter(pl.col("scope") == "adjustment", pl.col("setting") != "not logged")
    )
    pages = {
        text_of(re.search(r"<h1>(.*?)</h1>", page)[1]): dict(by_crop(page))
        for page in (path.read_text(encoding="utf-8") for path in (site / "machines").iterdir())
    }
    for machine, crop, setting in effects.select("machine", "crop", "setting").unique().iter_rows():
        heads = [text_of(one["head"]) for one in LINE.finditer(pages[machine][crop_label(crop)])]
        assert any(setting_label(setting) in head for head in heads), (machine, crop, setting)
    clear = effects.filter(pl.col("verdict").is_in(["less", "more"]), pl.col("outcome").is_in(MAIN[:3]))
    spoken = {one.machine for one in said[1] if "sure" in one.answer}
    assert set(clear["machine"]) <= spoken


def test_the_machine_page_begins_with_the_last_change_its_day_and_field(told):
    lake, site, _ = told
    farm = lake.farm()
    effects = lake.scan("effects").collect().filter(scope="adjustment")
    effects = effects.filter(pl.col("setting") != "not logged")
    for path in (site / "machines").iterdir():
        page = path.read_text(encoding="utf-8")
        machine = text_of(re.search(r"<h1>(.*?)</h1>", page)[1])
        for crop, part in by_crop(page):
            mine = effects.filter(machine=machine).filter(
                pl.col("crop").map_elements(crop_label, pl.String) == crop
            )
            last = mine.filter(pl.col("time") == mine["time"].max())
            said_of_it = text_of(re.search(r"<p class=\"last\">(.*?)</p>", part)[1])
            day_of_it = day(last["time"][0], farm.zone_of(machine))
            assert said_of_it == f"Last change, {day_of_it}, {last['field'][0]}"
            head = text_of(next(LINE.finditer(part))["head"])
            assert any(setting_label(name) in head for name in last["setting"]), (machine, crop, head)


def test_the_morning_has_the_answers_of_the_field_pages(told, said):
    _, site, _ = told
    page = (site / "nightly.html").read_text(encoding="utf-8")
    part = page[page.index("New answers</h2>") : page.index("Files to check</h2>")]
    rows = re.findall(
        r"<a href=\"(fields/[^\"]*)\"><bdi class=\"name\">(.*?)</bdi></a></p><p class=\"answer \w+\">(.*?)</p>"
        r"(?:<p>(.*?)</p>)?",
        part,
        re.DOTALL,
    )
    assert rows
    for href, title, answer, worth in rows:
        first = (site / href).read_text(encoding="utf-8").split("Each change</h2>")[0]
        here = {(one.title, one.answer, one.worth) for one in lines_said(first, "", "")}
        assert (text_of(title), text_of(answer), text_of(worth)) in here


@pytest.mark.parametrize("name", ["index", "nightly"])
def test_lists_show_seven_lines_and_how_many_more(told, name):
    _, site, _ = told
    page = (site / f"{name}.html").read_text(encoding="utf-8")
    part = page[: page.index("Files to check</h2>" if name == "nightly" else "Field jobs</h2>")]
    lists = re.findall(
        r"<ul class=\"attention[^>]*>(.*?)</ul>\s*(?:<details><summary>and (\d+) more</summary><ul[^>]*>(.*?)</ul>)?",
        part,
        re.DOTALL,
    )
    assert lists
    for shown, count, rest in lists:
        assert shown.count("<li") <= MOST_LISTED
        assert rest.count("<li") == int(count or 0)


def test_pages_are_small(told):
    _, site, _ = told
    sizes = {path.name: path.stat().st_size for path in site.rglob("*.html")}
    assert {name: size for name, size in sizes.items() if size > 500_000} == {}


def test_attention_is_asked_only_for_what_is_in_force(told):
    lake, site, _ = told
    names = ("effects", "loss_curves", "adjustments", "responses")
    tables = {name: lake.scan(name).collect() for name in names}
    # In force in a crop: a machine that went on to another crop may have another value there.
    logged = tables["effects"].filter((pl.col("scope") == "adjustment") & (pl.col("setting") != "not logged"))
    last = {(row["machine"], row["crop"], row["setting"]): row["to_value"]
            for row in logged.sort("time").iter_rows(named=True)}  # fmt: skip
    lines = machine_lines(*(tables[name] for name in names[:3]))
    costly = settings_that_cost(tables, lake.farm(), (), lines)
    assert costly
    for one in costly:
        if one.line.setting:
            assert one.line.now is None or last[one.machine, one.crop, one.line.setting] == one.line.now
            assert one.line.settings[0][1] != one.line.now
    for name in ("index", "nightly"):
        page = text_of((site / f"{name}.html").read_text(encoding="utf-8"))
        for one in costly:
            assert text_of(one.sentence) in page


MARKS = {"less": "▼ ", "more": "▲ "}


def pooled_cells(effects: pl.DataFrame) -> dict[tuple[str, str, str, str], set[tuple[str, str, str]]]:
    """(machine, crop, change, outcome) to verdict, change and range of each pooled effect, as they are written."""
    found: dict[tuple[str, str, str, str], set[tuple[str, str, str]]] = {}
    for row in effects.filter(pl.col("scope").is_in(["season", "machine"])).iter_rows(named=True):
        name = pooled_name(*(row[c] for c in ("setting", "from_value", "to_value", "per_step", "unit")))
        crop = crop_label(row["crop"]) if row["crop"] else "all crops"
        numbers = ("–", "–")
        if row["percent"] is not None:
            numbers = signed(row["percent"]), f"{signed(row['percent_low'])} to {signed(row['percent_high'])}"
        key = (row["machine"] or "all machines", crop, name, OUTCOME_WORDS[row["outcome"]])
        found.setdefault(key, set()).add((row["verdict"], *numbers))
    return found


def test_crop_machine_and_season_pages_have_the_numbers_of_the_pooled_effects(told):
    lake, site, _ = told
    pooled = pooled_cells(lake.scan("effects").collect())
    compared = {"crops": 0, "machines": 0, "season": 0}
    pages = [*(site / "crops").iterdir(), *(site / "machines").iterdir(), site / "season.html"]
    for path in pages:
        page = path.read_text(encoding="utf-8")
        title = text_of(re.search(r"<h1>(.*?)</h1>", page)[1])
        for table in tables_of(page):
            for row in table.rows:
                if table.caption.startswith("Pooled effects, "):
                    machine, crop = table.caption.removeprefix("Pooled effects, ").split(", ")[:2]
                    key = (machine[:1].lower() + machine[1:], crop, row["Setting"], row["Outcome"])
                elif "effect of each setting over the season" in table.caption and row["Where"].startswith(
                    "Season, "
                ):
                    outcome = table.caption.split(",")[0].lower().removesuffix(" as driven")
                    _, crop, *whose = row["Where"].split(", ")
                    key = (*(whose or ["all machines"]), crop, row["Change"], outcome)
                else:
                    continue
                cells = row["Verdict"], row["Change, %"], row["95 % range, %"]
                assert cells in pooled[key], (path.name, title, key)
                compared[path.parent.name if path.name != "season.html" else "season"] += 1
    assert all(compared.values())


def test_the_report_and_its_workbook_have_the_numbers_of_the_pooled_effects(told, tmp_path):
    lake, _, report = told
    pooled = pooled_cells(lake.scan("effects").collect())
    written = {
        (machine, crop, name, outcome): {
            f"{MARKS.get(verdict, '')}{size} ({ends})" if size != "–" else verdict
            for verdict, size, ends in cells
        }
        for (machine, crop, name, outcome), cells in pooled.items()
    }
    compared = 0
    for table in tables_of(report):
        for row in table.rows if table.caption.startswith("Pooled effects") else []:
            where = table.caption.split(", ", 1)[1]
            for outcome in ("separation loss", "cleaning loss", "machine loss", "throughput"):
                cell = row[f"{outcome.capitalize()}, %"]
                keys = [
                    key
                    for key in written
                    if key[3] == outcome and row["Setting"].startswith(key[2])
                    and (key[0] == where if "on the machine" in table.caption else
                         (key[0], key[1]) == ("all machines", where.replace("All crops together", "all crops")))
                ]  # fmt: skip
                assert cell == "–" or any(cell in written[key] for key in keys), (table.caption, row)
                compared += cell != "–"
    assert compared > 0
    write_season(lake, 2026, tmp_path / "report.xlsx", lake.farm())
    of_pages = {round(row["percent"], 9) for row in lake.scan("effects").collect().iter_rows(named=True)
                if row["percent"] is not None}  # fmt: skip
    for sheet in (3, 4, 5):
        rows = named_rows(tmp_path / "report.xlsx", sheet)
        assert rows and {round(row["Change, %"], 9) for row in rows if "Change, %" in row} <= of_pages
    advised = {
        (one["Machine"], one["Crop"], one["Setting"], str(one["From"]), str(one["To"])): one
        for one in named_rows(tmp_path / "report.xlsx", 1)
    }
    listed = [t for t in tables_of(report) if t.caption.startswith(("Most money first", "Every setting"))]
    shown = 0
    for row in (row for table in listed for row in table.rows):
        for (machine, crop, label, before, after), one in advised.items():
            ends = f"{before.removesuffix('.0')} → {after.removesuffix('.0')}"
            if row["Machine, crop"] == f"{machine} {crop}" and row["Setting"].startswith(
                f"{label.split(', ')[0]} {ends}"
            ):
                (money,) = [
                    value
                    for name, value in one.items()
                    if name.startswith("Money saved") and "end" not in name
                ] or [None]
                assert row[next(name for name in row if name.startswith("Money"))].startswith(
                    "–" if money is None else signed(money)
                )
                chance = one.get("Chance that it pays, 0 to 1")
                assert (
                    chance is None
                    or chance_in_words(max(chance, 1 - chance)).replace("\u00a0", " ") == row["Chance"]
                )
                shown += 1
    assert shown >= 0.5 * sum(len(table.rows) for table in listed)


def test_trials_say_the_same_on_every_page_and_nothing_is_advised_against_one_under_way(told, instructions):
    lake, site, report = told
    effects = lake.scan("effects").collect()
    machines = effects["machine"].drop_nulls().unique().sort().to_list()
    found = standings(lake.scan("trials").collect(), effects, machines)
    lists = [
        text_of((site / f"{name}.html").read_text(encoding="utf-8"))
        for name in ("index", "season", "nightly")
    ]
    for shown, one in zip(shown_trials(found), found, strict=True):
        machine = next(p for p in (site / "machines").iterdir()
                       if f"<h1><bdi>{one.machine}</bdi>" in p.read_text(encoding="utf-8"))  # fmt: skip
        own = text_of((site / shown.href).read_text(encoding="utf-8"))
        for page in (*lists, text_of(machine.read_text(encoding="utf-8")), text_of(report)):
            assert text_of(shown.headline) in page and text_of(shown.sentence) in page
        low, high = one.main.anytime_range
        assert f"{signed(one.main.percent)} % ({text_of(percent_range(low, high))})" in own
    under_way = {key: one for key, one in begun_trials(found).items() if one.kind == "under way"}
    for (machine, crop, setting), one in under_way.items():
        label = setting_label(setting)
        assert not [
            i
            for i in instructions
            if (i.machine, i.crop, i.label) == (machine, crop_label(crop), label.lower())
        ]
        for path in (site / "machines").iterdir():
            worth = path.read_text(encoding="utf-8").partition('id="try"')[2].split("</section>")[0]
            assert f"{machine}, {crop_label(crop)}: {label.lower()} " not in text_of(worth)
        title = f"Start sheet: {machine}, {crop_label(crop).lower()}<"
        sheets = [path.read_text(encoding="utf-8") for path in (site / "start_sheets").glob("*.html")]
        (sheet,) = (page for page in sheets if title in page)
        starts = {text_of(r[0]): text_of(r[3]) for r in START.findall(sheet)}
        assert starts[label] == "in a trial"
        band = report.split("In a trial: finish it, then decide")[1].split('class="band"')[0]
        assert label in text_of(band) and text_of(one.words) in text_of(band)


START = re.compile(
    r"<th scope=\"row\">(.*?)</th><td[^>]*>(.*?)</td><td[^>]*>(.*?)</td><td[^>]*>(.*?)</td></tr>"
)


def test_start_sheets_start_from_values_that_were_tried_and_agree_with_the_instructions(told, instructions):
    """What a sheet says by evidence or as last used is a value of the machine's logs; it is what pages say to set."""
    lake, site, _ = told
    logged = lake.scan("adjustments").collect()
    told_values = {(o.machine, o.crop, o.label): o for o in instructions if o.verb != "Compare"}
    pages = sorted((site / "start_sheets").glob("*.html"))
    assert pages
    compared = checked = 0
    for path in pages:
        page = path.read_text(encoding="utf-8")
        name, crop = text_of(re.search(r"<h1>Start sheet: (.*?)</h1>", page)[1]).rsplit(", ", 1)
        part = page.split('id="start"')[1].split('id="change"')[0]
        for row in START.findall(part):
            label, value, why, _ = map(text_of, row)
            mine = logged.filter(pl.col("setting").is_in(LABELLED[label.lower()]))
            mine = mine if why.startswith("All machines") else mine.filter(machine=name)
            values = {*mine["from_value"].drop_nulls(), *mine["to_value"].drop_nulls()}
            if " against " in why or "was tried too" in why:
                number = re.match(r"[\d.]+", value)
                if number and values <= {v for v in values if re.fullmatch(r"[\d.]+", v)}:
                    tried = [float(v) for v in values]
                    assert min(tried) <= float(number[0]) <= max(tried), (path.name, label, value)
                else:
                    assert value in values, (path.name, label, value)
                checked += 1
            same = next((o for key, o in told_values.items()
                         if (key[0], key[1].lower(), key[2]) == (name, crop, label.lower())), None)  # fmt: skip
            if same is not None and same.value != "it up":
                assert value == same.value.removesuffix(" again"), (path.name, label)
                compared += 1
    assert checked > 0 and compared > 0


needs_pdftotext = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")


def pdf_pages(path: Path) -> list[str]:
    said = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    return said.stdout.rstrip("\f").split("\f")


@needs_pdftotext
def test_the_paper_has_every_cell_of_the_page(told, tmp_path):
    """Of the report and of start sheets: nothing is cut, and nothing says something else."""
    lake, site, report = told
    write_season(lake, 2026, tmp_path / "report.pdf", lake.farm())
    sheets = [
        (p.read_text(encoding="utf-8"), p.with_suffix(".pdf")) for p in (site / "start_sheets").glob("*.html")
    ]
    for page, paper in [(report, tmp_path / "report.pdf"), *sheets]:
        said = subprocess.run(
            ["pdftotext", "-raw", str(paper), "-"], capture_output=True, text=True, check=True
        )
        bare = "".join(said.stdout.split())
        cells = [cell for table in tables_of(page) for row in table.rows for cell in row.values()]
        assert cells and [cell for cell in cells if "".join(cell.split()) not in bare] == []


@needs_pdftotext
def test_a_start_sheet_is_one_sheet_of_paper_with_cautions_that_says_what_its_page_says(told):
    _, site, _ = told
    for path in (site / "start_sheets").glob("*.html"):
        (paper,) = pdf_pages(path.with_suffix(".pdf"))
        assert "Stop the engine, take the key" in paper and "maker's manual" in paper
        assert (
            paper.index("Start from")
            < paper.index("What to change when")
            < paper.index("Before anyone touches")
        )
        page = path.read_text(encoding="utf-8")
        bare = "".join(paper.split())
        for row in START.findall(page.split('id="start"')[1].split('id="change"')[0]):
            assert "".join(text_of(row[0]).split()) in bare
        for symptom, _ in SYMPTOMS:
            assert symptom in paper and symptom in page


@needs_pdftotext
def test_the_report_on_paper_is_short_and_has_no_page_with_an_orphan(told, tmp_path):
    """A client's part of at most five pages, 20 with the annex; no page that a table leaves with one row."""
    lake, _, _ = told
    call = ["season", "--lake", str(lake.folder), "--year", "2026", "--out", str(tmp_path / "report.pdf")]
    assert run(call) == 0
    pages = pdf_pages(tmp_path / "report.pdf")
    annex = next(i for i, page in enumerate(pages) if page.lstrip().splitlines()[1:] and "Annex A. What" in
                 "\n".join(page.splitlines()[:4]))  # fmt: skip
    assert annex <= 5 and len(pages) <= 20
    assert "What to do next season" in pages[0] and "Change" in pages[0] + pages[1]
    for number, page in enumerate(pages[:-1], 1):
        lines = [line for line in page.splitlines() if line.strip()]
        assert len(lines) >= 8, f"page {number} has {len(lines)} lines"
        # What stands alone at the end heads nothing.
        heading = re.fullmatch(r" *(Annex [A-F]\.|What|How) [A-Za-z ]+", lines[-2])
        assert heading is None, f"page {number} ends with a heading"
