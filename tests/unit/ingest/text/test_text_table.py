"""From bytes to a table of texts: encodings, separators, what stands around the table, broken rows."""

from __future__ import annotations

import codecs

import pytest
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.ingest.text import decode
from chaffinch.pipelines.ingest.text.decode import bounded_content, decode_lines
from chaffinch.pipelines.ingest.text.text_table import read_text_table

LOG = "time,speed_m_s,field\n2026-08-01T10:00:00Z,1.5,Möwenfeld\n2026-08-01T10:00:01Z,1.6,Möwenfeld\n"


def table(text, stated=None, name="log.csv"):
    content = text.encode() if isinstance(text, str) else text
    return read_text_table(name, decode_lines(name, content), stated or FileColumns())


def refused(text):
    with pytest.raises(UnreadableFile) as caught:
        table(text)
    return caught.value.reason


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        (LOG.encode(), "UTF-8"),
        (codecs.BOM_UTF8 + LOG.encode(), "UTF-8 with a byte order mark"),
        (LOG.encode("utf-16"), "UTF-16, little end first"),
        (codecs.BOM_UTF16_BE + LOG.encode("utf-16-be"), "UTF-16, big end first"),
        (LOG.encode("utf-16-le"), "UTF-16, little end first"),
        (LOG.encode("utf-16-be"), "UTF-16, big end first"),
        (LOG.encode("windows-1252"), "Windows-1252"),
    ],
)
def test_encodings(content, encoding):
    read = table(content)
    assert read.encoding == encoding
    assert read.headers == ("time", "speed_m_s", "field")
    assert read.rows["field"].to_list() == ["Möwenfeld", "Möwenfeld"]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(separator, line_end):
    read = table(LOG.replace(",", separator).replace("\n", line_end))
    assert read.separator == separator
    assert read.rows["speed_m_s"].to_list() == ["1.5", "1.6"]
    assert read.lines.to_list() == [2, 3]
    assert read.malformed.height == 0


def test_row_numbers_are_lines_of_the_file_below_a_preamble_and_blank_lines():
    read = table("Export of a terminal\n\nMachine: Combine A\n\n" + LOG.replace("\n2026", "\n\n2026", 1))
    assert read.header_line == 5
    assert read.lines.to_list() == [7, 8]
    assert "Above the header, 2 lines: Export of a terminal / Machine: Combine A" in read.notes


def test_a_units_row_gives_the_units():
    read = table("time,speed,moisture,field\n,km/h,%,\n2026-08-01T10:00:00Z,5.4,14,Mill\n")
    assert [m.unit for m in read.matched] == [None, "km/h", "%", None]
    assert read.lines.to_list() == [3]


def test_a_units_row_may_say_the_form_of_the_time():
    read = table("time,speed,field\nYYYY-MM-DD hh:mm:ss,[km/h],text\n2026-08-01T10:00:00Z,5.4,Mill\n")
    assert [m.unit for m in read.matched] == [None, "km/h", None]
    assert "Line 2 holds the units of the columns." in read.notes


def test_a_broken_row_is_not_taken_for_units():
    read = table("time,speed,unit\nsoon,,rpm\n")
    assert read.lines.to_list() == [2]


def test_a_row_of_data_is_not_taken_for_units():
    read = table("time,speed,field\n2026-08-01T10:00:00Z,5.4,m\n2026-08-01T10:00:01Z,5.4,m\n")
    assert read.rows.height == 2


def test_a_repeated_header_is_not_data_and_gets_a_note():
    read = table(LOG + LOG)
    assert read.rows.height == 4
    assert read.lines.to_list() == [2, 3, 5, 6]
    assert "The header is repeated on 1 line inside the table, not counted as data." in read.notes


def test_rows_with_another_number_of_fields_are_kept_apart_with_their_line():
    read = table(LOG + "2026-08-01T10:00:02Z,1.7\n2026-08-01T10:00:03Z,1.7,Mill,9,9\nTotal;2 rows\n")
    assert read.rows.height == 2
    assert read.malformed["line"].to_list() == [4, 5, 6]
    assert read.rows_read == 5


def test_separators_that_only_trail_are_nothing():
    read = table(LOG + "2026-08-01T10:00:02Z,1.7,Mill,,,\n2026-08-01T10:00:03Z,1.8,,\n")
    assert read.malformed.height == 0
    assert read.rows["field"].to_list()[2:] == ["Mill", ""]
    assert read.rows["speed_m_s"].to_list()[2:] == ["1.7", "1.8"]


def test_a_header_that_ends_in_a_separator_has_rows_that_do_not():
    read = table("time,speed_m_s,\n2026-08-01T10:00:00Z,1.5\n2026-08-01T10:00:01Z,1.6,\n")
    assert read.malformed.height == 0
    assert read.rows["speed_m_s"].to_list() == ["1.5", "1.6"]


def test_quoted_fields_hold_separators_quotes_and_line_ends():
    read = table(
        'time,note,speed_m_s\n"2026-08-01T10:00:00Z","a, ""b""\nsecond line",1.5\n'
        "2026-08-01T10:00:01Z,plain,1.6\n"
    )
    assert read.rows["note"].to_list() == ['a, "b"\nsecond line', "plain"]
    assert read.lines.to_list() == [2, 4]


def test_a_quote_that_is_never_closed_spoils_only_its_own_row():
    rows = "".join(f"2026-08-01T10:00:{i:02d}Z,fine,1.5\n" for i in range(5))
    read = table('time,note,speed_m_s\n2026-08-01T10:01:00Z,"open,1.5\n' + rows)
    assert read.malformed["line"].to_list() == [2]
    assert read.rows.height == 5


def test_a_lone_quote_among_quoted_rows_does_not_swallow_the_next():
    read = table(
        '"time","note","speed_m_s"\n"2026-08-01T10:00:00Z","open,"1.5"\n'
        '"2026-08-01T10:00:01Z","fine","1.6"\n"2026-08-01T10:00:02Z","fine","1.7"\n'
    )
    assert read.rows["speed_m_s"].to_list() == ["1.6", "1.7"]
    assert read.malformed["line"].to_list() == [2]


def test_two_lone_quotes_do_not_swallow_the_rows_between_them():
    read = table('time,setting,unit,note\n1,fan,"rpm,x\n2,rotor,rpm,\n3,sieve,",",\n')
    assert 3 in read.lines.to_list()
    assert read.rows_read == 3


def test_a_return_inside_a_field_spoils_its_row_only():
    read = table('time,speed_m_s\n1,1.5\n2,"" x\r y\n3,1.7\n')
    assert {2, 4} <= set(read.lines.to_list())
    assert read.rows_read == 3


def test_an_inch_mark_in_the_middle_of_a_field_is_a_plain_sign():
    read = table('time,note,speed_m_s\n2026-08-01T10:00:00Z,12" header,1.5\n2026-08-01T10:00:01Z,x,1.6\n')
    assert read.rows["note"].to_list() == ['12" header', "x"]
    assert read.rows["speed_m_s"].to_list() == ["1.5", "1.6"]


def test_zero_bytes_spoil_their_row_only_and_a_zero_tail_gets_a_note():
    read = table(LOG.encode() + b"2026-08-01T10:00:02Z,\0\0,x\n" + b"\0" * 500)
    assert read.rows.height == 2
    assert read.malformed["line"].to_list() == [4]
    assert any(n.startswith("500 zero bytes at the end were left out;") for n in read.notes)


def test_no_rows():
    read = table("time,speed_m_s\n")
    assert read.rows.height == 0
    assert read.rows_read == 0


def test_thousands_of_columns():
    extra = [f"c{i}" for i in range(4000)]
    read = table(
        ",".join(["time", "speed_m_s", *extra])
        + "\n"
        + ",".join(["2026-08-01T10:00:00Z", "1.5", *extra])
        + "\n"
    )
    assert read.rows.width == 4002
    assert read.rows["c3999"].to_list() == ["c3999"]


def test_blank_and_repeated_headers_get_names():
    read = table("time,speed_m_s,,odd,odd\n2026-08-01T10:00:00Z,1.5,a,b,c\n")
    assert read.headers == ("time", "speed_m_s", "column 3", "odd", "odd (2)")


@pytest.mark.parametrize("content", [b"", b"\n\n  \n", b"\0\0\0\0"])
def test_an_empty_file_is_refused(content):
    assert refused(content) == "The file is empty; export it again, or remove it."


def test_no_header_is_refused_with_the_first_line():
    reason = refused("alpha,beta\n1,2\n3,4\n")
    assert reason == (
        "None of the first 100 lines names the columns of a log (first: 'alpha,beta'). "
        "Name them as in the documentation, or say in farm.toml what they are."
    )


def test_what_is_no_text_is_refused():
    assert refused(bytes(range(256)) * 50) == (
        "The file is neither text nor task data nor Parquet; export the log as CSV."
    )


def test_decimal_commas_between_comma_separators_are_refused():
    reason = refused(
        "time,speed_m_s,moisture\n2026-08-01T10:00:00Z,1,5,14,2\n2026-08-01T10:00:01Z,1,6,14,1\n"
    )
    assert "The header (line 1) has 3 columns; no row below it (2 rows in all) has as many." in reason
    assert "export with semicolons between the columns" in reason


def test_a_line_beyond_the_limit_is_refused_without_being_held(monkeypatch):
    monkeypatch.setattr(decode, "CHUNK_BYTES", 1000)
    monkeypatch.setattr(decode, "LONGEST_LINE_BYTES", 4000)
    read_bytes = 0

    class Endless:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            return None

        def read(self, size):
            nonlocal read_bytes
            read_bytes += size
            return b"x" * size

    file = from_bytes("a.csv", b"")
    object.__setattr__(file, "opener", Endless)
    with pytest.raises(UnreadableFile, match="A line is longer than 16 MB; no log has such lines"):
        bounded_content(file)
    assert read_bytes < 10_000


def test_farm_names_make_a_header_known():
    stated = FileColumns.model_validate({"names": {"alpha": "time", "beta": "speed_m_s"}})
    read = table("alpha,beta\n2026-08-01T10:00:00Z,2\n", stated)
    assert [m.target for m in read.matched] == ["time", "speed_m_s"]
