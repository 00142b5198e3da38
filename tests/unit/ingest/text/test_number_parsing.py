"""Texts to numbers: decimal marks, thousands marks, what is missing and what is no number."""

from __future__ import annotations

import polars as pl
import pytest
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.ingest.text.number_parsing import (
    decimal_mark,
    parse_numbers,
    plain_columns,
    plain_number,
)


def numbers(*texts, mark=None):
    found = parse_numbers(pl.Series(texts), mark)
    return found.values.to_list()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0), ("-3.5", -3.5), ("+5", 5.0), (" 7.25 ", 7.25), ("1e3", 1000.0), (".5", 0.5),
        ("12,5", 12.5), ("1’080", 1080.0),
        ("1.080,5", 1080.5), ("1,080.5", 1080.5), ("1 080", 1080.0), ("1'080.5", 1080.5),
        ("1\u202f080,5", 1080.5),
        ("1,234,567", 1234567.0), ("0,125", 0.125),
    ],
)  # fmt: skip
def test_numbers_that_leave_no_doubt(text, value):
    assert numbers(text) == [value]


@pytest.mark.parametrize("text", ["", "-", "--", "n/a", "NA", "NaN", "null", "None", "?", "#N/A"])
def test_missing_is_null_and_not_bad(text):
    found = parse_numbers(pl.Series([text, "1"]), None)
    assert found.values.to_list() == [None, 1.0]
    assert found.bad.to_list() == [False, False]


@pytest.mark.parametrize("text", ["fast", "1.2.3", "inf", "-inf", "12abc", "1,2,3", "0x10", "1 2", "1 2345"])
def test_what_is_no_number_is_bad(text):
    found = parse_numbers(pl.Series([text, "1"]), None)
    assert found.values.to_list() == [None, 1.0]
    assert found.bad.to_list() == [True, False]


def test_the_file_decides_what_one_column_leaves_open():
    assert numbers("1,080", "1,100", mark=",") == [1.08, 1.1]
    assert numbers("1,080", "1,100", mark=".") == [1080.0, 1100.0]
    assert numbers("1.080", "1.100", mark=",") == [1080.0, 1100.0]
    assert numbers("1.080", "1.100", mark=".") == [1.08, 1.1]


def test_nothing_decides():
    found = parse_numbers(pl.Series(["1,080", "1,100"]), None)
    assert found.values.to_list() == [1080.0, 1100.0]
    assert found.ambiguous


def test_a_column_with_points_in_a_file_with_commas():
    assert numbers("52.123456", "52.1", mark=",") == [52.123456, 52.1]


@pytest.mark.parametrize(
    ("columns", "mark"),
    [([["1,5"]], ","), ([["1.5"]], "."), ([["1.080,5"]], ","), ([["1,080.5"]], "."),
     ([["1,080"]], None), ([["7"]], None)],
)  # fmt: skip
def test_evidence_for_a_decimal_mark(columns, mark):
    assert decimal_mark([pl.Series(c) for c in columns]) == mark


@pytest.mark.parametrize(("moisture", "speed"), [('"14,5"', 1.08), ('"14.5"', 1080.0)])
def test_one_column_of_a_log_decides_for_another(moisture, speed):
    log = f'time,speed_m_s,grain_moisture_pct\n2026-08-01T10:00:00Z,"1,080",{moisture}\n'
    found = read(from_bytes("log.csv", log.encode()), Farm(), [])
    assert found.readings["speed_m_s"].to_list() == [speed]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1080.0, "1080"),
        (12.25, "12.25"),
        (0.1 + 0.2, "0.3"),
        (0.0, "0"),
        (-1e-9, "0"),
        (-2.0, "-2"),
        (1e7, "10000000"),
    ],
)
def test_plain_numbers(value, text):
    assert plain_number(value) == text


@pytest.mark.parametrize("mark", [",", ".", None])
@pytest.mark.parametrize(
    "texts",
    [
        ["1.5", "", "-2", "+3e2", "0.25"],
        ["1.5", "1.080", "2"],
        ["1", "2", None],
        ["1,5", "2"],
        ["1,080", "2,0"],
        ["1,080,000"],
        ["1.5", "-"],
        ["inf", "1"],
        ["nan", "1"],
        ["0x1F", "1"],
        ["1 080", "2"],
        ["٣", "2"],
        ["1_000", "2"],
        [""],
        [],
    ],
)
def test_the_short_way_gives_what_the_long_way_gives_or_nothing(mark, texts):
    column = pl.Series("c", texts, dtype=pl.String)
    other = pl.Series("other", ["1,5"] * len(texts), dtype=pl.String)
    short, long = plain_columns(pl.DataFrame([column, other]), mark).get("c"), parse_numbers(column, mark)
    assert short is None or (short.to_list() == long.values.to_list() and not long.bad.any())
    if texts and texts[0] == "1.5" and texts[-1] == "0.25" and mark != ",":
        assert short is not None
