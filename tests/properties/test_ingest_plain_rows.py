"""The short way through a table of texts gives what looking at every line gives, or gives up."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.ingest.text import text_table
from chaffinch.pipelines.ingest.text.decode import Lines, decode_lines
from chaffinch.pipelines.ingest.text.plain_rows import plain_rows
from hypothesis import given, settings
from hypothesis import strategies as st

HEADER = "time,speed_m_s,field"
NAMES = HEADER.split(",")

cell = st.sampled_from(["", "1.5", " 2 ", "\t", "Möwe", "null", "NaN", "#", '"', "\0", "\r"])
line = st.lists(cell, min_size=1, max_size=5).map(",".join) | st.sampled_from(["", " ", ",,", HEADER])
whole = st.sampled_from(["1.5,2,a", "a,,", ",b,", "\t, ,c", "Möwe,null,NaN"])
bodies = st.lists(whole | whole | whole | line, max_size=8).map("\n".join)
ends = st.sampled_from(["", "\n", "\n\n", "\r\n"])


def by_line(text: str):
    lines = decode_lines("log.csv", text.encode())
    body, numbers, repeated = text_table._body(lines.text, 1, HEADER, ",")
    return *text_table._well_formed(body, numbers, ",", NAMES), repeated


@pytest.mark.seconds
@settings(max_examples=300, deadline=None)
@given(body=bodies, end=ends)
def test_the_short_way_agrees_with_the_long_one(body, end):
    text = f"{HEADER}\n{body}{end}"
    lines = decode_lines("log.csv", text.encode())
    rows = plain_rows(lines, 1, ",", HEADER, NAMES)
    if rows is None:
        return
    expected, numbers, malformed, repeated = by_line(text)
    assert rows.rows() == expected.rows()
    assert numbers.to_list() == list(range(2, rows.height + 2))
    assert (malformed.height, repeated) == (0, 0)


def short_way(body: str):
    return plain_rows(Lines(f"{HEADER}\n{body}".encode(), "UTF-8"), 1, ",", HEADER, NAMES)


def body_of(rows: int, *odd: str) -> str:
    return "1,2,3\n" * rows + "".join(odd)


@pytest.mark.parametrize("rows", [1, 1000, 50_000])
def test_whole_rows_go_the_short_way(rows):
    read = short_way(body_of(rows))
    assert read is not None and read.height == rows
    assert short_way(body_of(rows, "1,2,3")).height == rows + 1


@pytest.mark.parametrize(
    "odd",
    [
        ("1,2\n",),
        ("1,2,3,4\n",),
        ("1,2\n", "1,2,3,"),  # one field too few and one too many: the sum is right
        ("1,2\n", "1,2,3,4\n"),
        ("\n",),
        (",,\n",),
        (" ,\t,\n",),
        (f"{HEADER}\n",),
        ('1,"2",3\n',),
        ("1,2\0,3\n",),
        ("1,2,3\r\n",),
    ],
)
@pytest.mark.parametrize("rows", [1, 1000, 50_000])
def test_one_odd_row_anywhere_sends_the_file_the_long_way(rows, odd):
    for body in (body_of(rows, *odd), body_of(0, *odd) + body_of(rows), body_of(rows, *odd) + body_of(rows)):
        assert short_way(body) is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a\nb\n", ["a", "b", ""]),
        ("a\r\nb", ["a", "b"]),
        ("a\rb\r", ["a", "b", ""]),
        ("a\r\r\nb\nc", ["a", "b", "c"]),
    ],
)
def test_lines_of_a_text_whatever_ends_them(text, expected):
    lines = decode_lines("log.csv", text.encode())
    assert lines.text.to_list() == expected
    assert lines.head(2) == expected[:2]
    assert lines.head(99) == expected
    assert lines.content[lines.start_of(1) :].decode().replace("\r", "") == "\n".join(expected[1:])
    assert lines.start_of(99) == len(lines.content)
