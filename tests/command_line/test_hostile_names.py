"""Names in files that mean something to a shell, a path, SQL, HTML or a spreadsheet are names and nothing else.

One night through the command line over logs, settings and loss checks in which every name is such a one, then
everything that is made of it: lake, pages, season report, exports.
"""

from __future__ import annotations

import csv
import re
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import polars as pl
import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake
from chaffinch.schemas.tables import tables

pytestmark = pytest.mark.slow

START = datetime(2026, 7, 20, 8, tzinfo=UTC)
NAMES = (
    "../../x",
    "/etc/passwd",
    "a/b",
    "..",
    "=1+1",
    "@SUM(A1)",
    "+1",
    "-rf",
    "'; DROP TABLE readings; --",
    '" OR 1=1',
    "<script>alert(1)</script>",
    "</script><img src=x onerror=alert(1)>",
    "CON",
    "n" * 300,
    "%2e%2e%2fx",
    "delivery=0",
    "_delta_log",
)
# No text holds such a character: rows with it go aside, a file of nothing else is on record with the reason.
NO_TEXT = "nul\x00inside"
SECONDS = 240


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def log(name: str, number: int) -> str:
    rows = [f"time,machine,field,crop,latitude,longitude,speed_m_s,working,grain_flow_kg_s,{quoted(name)}"]
    for i in range(SECONDS):
        moment = START + timedelta(hours=number, seconds=i)
        rows.append(
            f"{moment:%Y-%m-%dT%H:%M:%SZ},{quoted(name)},{quoted(name)},{quoted(name)},"
            f"{50 + i * 2e-5:.6f},{10 + number / 100},2.0,1,{9.5 + i % 7 / 10},{quoted(name)}"
        )
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder two folders deep, so that ``../../x`` still lies where it can be seen; its night is over."""
    top = tmp_path_factory.mktemp("top")
    place = top / "one" / "two"
    inbox = place / "inbox"
    inbox.mkdir(parents=True)
    for number, name in enumerate((*NAMES, NO_TEXT)):
        # As far as a file may be called so.
        called = name.replace("/", "_").replace("\x00", "_").strip(".")[:200] or "dots"
        (inbox / f"{called}.csv").write_text(log(name, number), newline="")
    with zipfile.ZipFile(inbox / "climbing.zip", "w") as packed:
        packed.writestr("../../climbed.csv", log("climbed", 20))
        packed.writestr("/rooted.csv", log("rooted", 21))
    moments = [START + timedelta(hours=number, seconds=SECONDS // 2) for number in range(len(NAMES) + 1)]
    changed = [
        f"{moment:%Y-%m-%dT%H:%M:%SZ},{quoted(name)},{setting},{quoted(name)},{quoted(name)}"
        for moment, name in zip(moments, (*NAMES, NO_TEXT), strict=True)
        for setting in (quoted(name), "fan_speed_rpm")
    ]
    (inbox / "settings.csv").write_text("\n".join(["time,machine,setting,to_value,note", *changed]) + "\n")
    checks = [
        f"{moment:%Y-%m-%dT%H:%M:%SZ},{quoted(name)},{quoted(name)},40"
        for moment, name in zip(moments, (*NAMES, NO_TEXT), strict=True)
    ]
    (inbox / "checks.csv").write_text("\n".join(["time,machine,field,machine_loss_kg_ha", *checks]) + "\n")
    before = everything(top)
    lake, site = str(place / "lake"), str(place / "site")
    assert run(["nightly", str(inbox), "--lake", lake, "--site", site, "--plain"]) == 1
    for ending in ("html", "xlsx"):
        out = str(place / f"season.{ending}")
        assert run(["season", "--lake", lake, "--year", "2026", "--out", out]) == 0
    for name in (*tables(), "work"):
        for ending in ("csv", "xlsx"):
            assert run(["export", name, "--lake", lake, "--to", str(place / f"{name}.{ending}")]) == 0
    grown = everything(top) - before
    made = {path.relative_to(place).parts[0] for path in grown if path.is_relative_to(place)}
    assert all(path.is_relative_to(place) for path in grown)
    exports = {f"{name}.{ending}" for name in (*tables(), "work") for ending in ("csv", "xlsx")}
    assert made == {"lake", "site", "season.html", "season.xlsx", *exports}
    return place


def everything(folder: Path) -> set[Path]:
    return set(folder.rglob("*"))


def test_names_are_kept_as_they_stand_and_rows_are_all_there(place):
    lake = Lake.open(place / "lake")
    readings = lake.scan("readings").collect()
    for column in ("machine", "field"):
        counted = dict(readings.group_by(column).len().iter_rows())
        assert {name: counted.get(name) for name in NAMES} == dict.fromkeys(NAMES, SECONDS)
    assert readings.height == SECONDS * len(NAMES)
    refused = lake.ledger().filter(pl.col("rows_kept") == 0)
    assert refused["name"].to_list() == ["climbing.zip", "nul_inside.csv"]
    assert refused["reason"].is_not_null().all()
    assert "names a file outside itself ('../../climbed.csv')" in refused["reason"][0]
    assert refused["reason"][1].startswith("It holds no readable row: all 240 contain zero bytes")
    kept, aside = (lake.scan(table).collect() for table in ("adjustments", "set_aside"))
    assert set(kept["setting"]) == set(NAMES)
    # A fan speed that is no number goes aside; every row of the settings log is somewhere.
    of_log = aside.filter(pl.col("file") == "settings.csv")
    assert sorted([*kept["row"], *of_log["row"]]) == list(range(2, 4 + 2 * len(NAMES)))
    no_text = aside.filter(pl.col("rule") == "not_text")
    assert sorted(no_text["file"]) == ["checks.csv", "settings.csv", "settings.csv"]
    assert set(lake.scan("loss_checks").collect()["machine"]) == set(NAMES)
    assert lake.check() == []


def test_no_path_is_made_of_them(place):
    for folder, usual in (("lake", r"[A-Za-z0-9_.=-]+"), ("site", r"[a-z0-9_.-]+")):
        for path in everything(place / folder):
            assert re.fullmatch(usual, path.name) and len(path.name) < 130, path
    delivered = {path.name for path in (place / "lake" / "readings").iterdir()} - {"_delta_log"}
    assert all(re.fullmatch(r"delivery=[0-9a-f]{16}", name) for name in delivered)


def test_pages_show_them_and_run_none(place):
    pages = [*(place / "site").rglob("*.html"), place / "season.html"]
    assert len(list((place / "site" / "fields").glob("*.html"))) >= len(NAMES)
    texts = {page: page.read_text(encoding="utf-8") for page in pages}
    for page, text in texts.items():
        assert "<script>alert" not in text and "<img src=x" not in text, page
        assert "\x00" not in text, page
        # No address of a page, a picture or a style is made of a name.
        for link in re.findall(r'(?:href|src)="([^"]*)"', text):
            assert re.fullmatch(
                r"(#|data:|\.\./|[a-z0-9_./-]*\.(html|css|js|png|svg)|[a-z0-9_./#-]+)[^<>]*", link
            )
            assert "etc/passwd" not in link and "../../" not in link and "javascript:" not in link
    seen = "\n".join(texts.values())
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in seen
    assert "&#39;; DROP TABLE readings; --" in seen or "'; DROP TABLE readings; --" in seen


def cells(workbook: Path) -> tuple[set[str], list[str]]:
    """Texts of a workbook's cells, and its sheets as XML (ECMA-376)."""
    with zipfile.ZipFile(workbook) as packed:
        sheets = [packed.read(n).decode() for n in packed.namelist() if n.startswith("xl/worksheets/sheet")]
        shared = [packed.read(n).decode() for n in packed.namelist() if n == "xl/sharedStrings.xml"]
    texts = {
        "".join(node.itertext())
        for part in (*sheets, *shared)
        for node in ElementTree.fromstring(part).iter()
        if node.tag.endswith(("}is", "}si"))
    }
    return texts, sheets


def test_no_sheet_has_a_formula_or_a_link(place):
    for workbook in place.glob("*.xlsx"):
        texts, sheets = cells(workbook)
        for sheet in sheets:
            tags = {node.tag.rpartition("}")[2] for node in ElementTree.fromstring(sheet).iter()}
            assert not tags & {"f", "hyperlink", "hyperlinks"}, workbook.name
        if workbook.name in ("readings.xlsx", "adjustments.xlsx"):
            assert {"=1+1", "@SUM(A1)", "+1", "-rf", "<script>alert(1)</script>"} <= texts


def test_the_csv_holds_every_row_and_every_name(place):
    with (place / "readings.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == Lake.open(place / "lake").scan("readings").select(pl.len()).collect().item()
    assert set(NAMES) <= {row["machine"] for row in rows}
