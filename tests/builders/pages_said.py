"""What pages and workbooks say, read back from their files."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from zipfile import ZipFile

SHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
LINE = re.compile(
    r"<h3>(?P<head>.*?)</h3>\s*<p class=\"answer (?P<tone>\w+)\">(?P<answer>.*?)</p>"
    r"(?:\s*<p class=\"worth\">(?P<worth>.*?)</p>)?",
    re.DOTALL,
)


def text_of(markup: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", markup)).replace("\u00a0", " ").split())


@dataclass(frozen=True)
class Said:
    """One line of a page: about which machine and crop, the change, the answer and its worth, and whether it is the
    answer of several changes."""

    machine: str
    crop: str
    title: str
    answer: str
    worth: str
    of_several: bool


def lines_said(page: str, machine: str, crop: str) -> list[Said]:
    found = []
    for one in LINE.finditer(page):
        title = text_of(re.search(r"<bdi>(.*?)</bdi>", one["head"], re.DOTALL)[1])
        several = "one answer" in text_of(one["head"])
        worth = text_of(one["worth"] or "")
        found.append(Said(machine, crop, title, text_of(one["answer"]), worth, several))
    return found


def by_crop(page: str) -> list[tuple[str, str]]:
    """What a machine's page says about each crop."""
    parts = re.split(r"<h2 id=\"answers-\d+\">Settings and what they did: <bdi>(.*?)</bdi></h2>", page)
    return [
        (text_of(crop), part.split("</section>")[0])
        for crop, part in zip(parts[1::2], parts[2::2], strict=True)
    ]


@dataclass(frozen=True)
class ReadTable:
    """A table of a page: its caption, and its rows by the names of the columns."""

    caption: str
    rows: list[dict[str, str]]


def tables_of(page: str) -> list[ReadTable]:
    found = []
    for caption, rest in re.findall(r"<table[^>]*>\s*<caption>(.*?)</caption>(.*?)</table>", page, re.DOTALL):
        columns = [
            text_of(name) for name in re.findall(r"<th scope=\"col\"[^>]*>(.*?)</th>", rest, re.DOTALL)
        ]
        rows = []
        for row in re.findall(r"<tr>(.*?)</tr>", rest, re.DOTALL):
            cells = re.findall(r"<(?:th scope=\"row\"|td)[^>]*>(.*?)</(?:th|td)>", row, re.DOTALL)
            if len(cells) == len(columns):
                rows.append(dict(zip(columns, map(text_of, cells), strict=True)))
        found.append(ReadTable(text_of(caption), rows))
    return found


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


def named_rows(out: Path, sheet: int) -> list[dict[str, Any]]:
    """Rows of a sheet by the names in its first row; empty cells are left out."""
    head, *rows = cells_of(out, sheet)
    return [{head[letter]: value for letter, value in row.items()} for row in rows]
