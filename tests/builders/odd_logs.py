"""Ten odd logs of each language family, all of the same work, as made-up loggers would write them.

Words: common usage, from memory. Each log is odd in its own way; what it says is the same in all.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

START = datetime(2026, 7, 20, 8, 0, tzinfo=UTC)
ROWS = 60
# What each log says, in the units of the readings.
SPEED_M_S = [round((4.5 + 0.1 * (i % 11)) / 3.6, 6) for i in range(ROWS)]
MOISTURE_PCT = [round(13.5 + 0.1 * (i % 7), 1) for i in range(ROWS)]
FLOW_KG_S = [round((20.0 + 0.5 * (i % 9)) / 3.6, 6) for i in range(ROWS)]
FAN_RPM = [950.0 if i < ROWS // 2 else 1000.0 for i in range(ROWS)]


@dataclass(frozen=True, slots=True)
class Family:
    """Words of a language family. others : second names of the same columns. legacy : its old encoding."""

    date: str
    clock: str
    moment: str
    machine: str
    speed: str
    moisture: str
    flow: str
    fan: str
    others: Sequence[str]
    turns: str
    hourly: str
    total: str
    legacy: str


def families() -> dict[str, Family]:
    """Words by language family."""
    text = Path(__file__).with_suffix(".csv").read_text(encoding="utf-8")
    found = {row.pop("family"): row for row in csv.DictReader(text.splitlines())}
    return {name: Family(**row | {"others": row["others"].split("|")}) for name, row in found.items()}


@dataclass(frozen=True, slots=True)
class OddLog:
    """A file and the rows of data in it that are no reading."""

    name: str
    content: bytes
    others: int = 0


def _moments() -> list[datetime]:
    return [START + timedelta(seconds=i) for i in range(ROWS)]


def _numbers(mark: str) -> list[list[str]]:
    """Speed in km/h, moisture, flow in t/h, fan speed, as texts."""
    columns = (
        [f"{3.6 * v:.1f}" for v in SPEED_M_S],
        [f"{v:.1f}" for v in MOISTURE_PCT],
        [f"{3.6 * v:.1f}" for v in FLOW_KG_S],
        [f"{v:.0f}" for v in FAN_RPM],
    )
    return [[text.replace(".", mark) for text in row] for row in zip(*columns, strict=True)]


def _headers(w: Family, brackets: str = "()") -> list[str]:
    left, right = brackets
    units = ("km/h", "%", w.hourly, w.turns)
    names = (w.speed, w.moisture, w.flow, w.fan)
    return [f"{name} {left}{unit}{right}" for name, unit in zip(names, units, strict=True)]


def _text(rows: Sequence[Sequence[str]], separator: str, end: str = "\n") -> str:
    return end.join(separator.join(row) for row in rows) + end


def _old_encoding(w: Family) -> OddLog:
    rows = [[w.moment, w.machine, *_headers(w)]]
    rows += [
        [t.strftime("%d.%m.%Y %H:%M:%S"), "C1", *n] for t, n in zip(_moments(), _numbers(","), strict=True)
    ]
    return OddLog("old encoding.csv", _text(rows, ";", "\r\n").encode(w.legacy))


def _date_and_time_apart(w: Family) -> OddLog:
    rows = [[w.date, w.clock, w.machine, *_headers(w, "[]")]]
    rows += [
        [t.strftime("%Y-%m-%d"), t.strftime("%H:%M:%S"), "C1", *n]
        for t, n in zip(_moments(), _numbers("."), strict=True)
    ]
    return OddLog("date and time.txt", _text(rows, "\t").encode())


def _quoted_decimal_commas(w: Family) -> OddLog:
    rows = [[w.moment, w.machine, *_headers(w)]]
    rows += [
        [t.isoformat(), "C1", *(f'"{cell}"' for cell in n)]
        for t, n in zip(_moments(), _numbers(","), strict=True)
    ]
    return OddLog("quoted.csv", _text(rows, ",").encode("utf-8-sig"))


def _lines_above_and_row_of_units(w: Family) -> OddLog:
    rows = [[f"{w.machine}: C1"], [""], [w.moment, w.speed, w.moisture, w.flow, w.fan]]
    rows += [["", "km/h", "%", w.hourly, w.turns]]
    rows += [[t.strftime("%d.%m.%Y %H:%M:%S"), *n] for t, n in zip(_moments(), _numbers(","), strict=True)]
    return OddLog("lines above.csv", _text(rows, ";").encode())


def _second_names(w: Family) -> OddLog:
    speed, moisture, flow, fan = w.others
    return replace(
        _date_and_time_apart(replace(w, speed=speed, moisture=moisture, flow=flow, fan=fan)),
        name="second.tsv",
    )


def _shouted(w: Family) -> OddLog:
    rows = [
        [cell.upper().replace(" ", "_") for cell in (w.moment, w.machine)] + [h.upper() for h in _headers(w)]
    ]
    rows += [[t.isoformat(), "C1", *n] for t, n in zip(_moments(), _numbers("."), strict=True)]
    return OddLog("SHOUTED.CSV", _text(rows, ";").encode())


def _two_bytes_a_letter(w: Family) -> OddLog:
    rows = [[w.moment, w.machine, *_headers(w)]]
    rows += [
        [t.strftime("%d.%m.%Y %H:%M:%S"), "C1", *n] for t, n in zip(_moments(), _numbers(","), strict=True)
    ]
    return OddLog("two bytes.csv", _text(rows, "\t").encode("utf-16"))


def _columns_in_another_order(w: Family) -> OddLog:
    speed, moisture, flow, fan = _headers(w)
    rows = [["x1", fan, w.machine, flow, "no. of something", w.moment, moisture, speed]]
    for t, (v, m, q, f) in zip(_moments(), _numbers("."), strict=True):
        rows.append(["a", f, "C1", q, "7", t.isoformat(), m, v])
    return OddLog("another order.csv", _text(rows, "|").encode())


def _total_at_the_end(w: Family) -> OddLog:
    log = _old_encoding(w)
    return OddLog("total.csv", log.content + f"\r\n{w.total};;;;1234,5;\r\n".encode(w.legacy), others=1)


def _apostrophes_and_blanks(w: Family) -> OddLog:
    """A blank line in the middle, blanks around cells, thousands of the fan speed apart."""
    rows = [[f" {cell} " for cell in (w.moment, w.machine, *_headers(w))]]
    for i, (t, (v, m, q, f)) in enumerate(zip(_moments(), _numbers(","), strict=True)):
        fan = f"{f[:-3]} {f[-3:]}".strip()
        rows += [[""]] if i == ROWS // 2 else []
        rows.append([f" {cell} " for cell in (t.strftime("%Y-%m-%d %H:%M:%S"), "C1", v, m, q, fan)])
    return OddLog("blanks.csv", _text(rows, ";").encode())


ODDITIES: tuple[Callable[[Family], OddLog], ...] = (
    _old_encoding, _date_and_time_apart, _quoted_decimal_commas, _lines_above_and_row_of_units, _second_names,
    _shouted, _two_bytes_a_letter, _columns_in_another_order, _total_at_the_end, _apostrophes_and_blanks,
)  # fmt: skip


def odd_logs() -> Iterator[tuple[str, OddLog]]:
    """Family and log, ten of each."""
    for name, words in families().items():
        for odd in ODDITIES:
            yield name, odd(words)
