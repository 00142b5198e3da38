"""How pages write numbers and names: hand-worked cases, and properties for whatever a file may say."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

import pytest
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import page_name
from chaffinch.schemas.declarations import settings
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (31.4, "31"),
        (137.0, "140"),
        (0.423, "0.42"),
        (0.0423, "0.04"),
        (-7.56, "−7.6"),
        (1234.0, "1200"),
        (5.0, "5.0"),
    ],
)
def test_two_significant_digits_and_at_most_two_places(value, text):
    assert words.significant(value) == text


@given(st.floats(min_value=0.1, max_value=1e6))
def test_rounding_moves_a_number_by_less_than_six_per_cent(value):
    # Half a unit of the second digit is at most 5 % (1.05 to 1.0 or 1.1); 5.01 allows for the float.
    assert float(words.significant(value)) == pytest.approx(value, rel=0.0501)


def test_a_change_is_written_with_its_range_smallest_end_first():
    # The wording of the specification's example, and its mirror.
    plain = words.change_in_words(31.4, 14.2, 51.3).replace(words.NARROW, " ")
    assert plain == "up 31 % (14 to 51 %)"
    assert words.change_in_words(-22.0, -35.0, -5.0).replace(words.NARROW, " ") == "down 22 % (5.0 to 35 %)"


@pytest.mark.parametrize(
    ("outcome", "verdict", "tone"),
    [
        ("cleaning_loss", "less", "better"),
        ("cleaning_loss", "more", "worse"),
        ("capacity", "more", "better"),
        ("throughput", "less", "worse"),
        ("fuel_per_tonne", "less", "better"),
        ("returns", "more", "unclear"),
        ("machine_loss", "cannot tell", "unclear"),
        ("machine_loss", "no clear change", "unclear"),
    ],
)
def test_what_is_better_depends_on_the_outcome(outcome, verdict, tone):
    assert words.tone(outcome, verdict) == tone


def test_local_time_follows_the_zone_through_its_change():
    # Europe/Berlin left summer time on 25 October 2026 at 01:00 UTC (last Sunday of October).
    before, after = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert words.clock(before, "Europe/Berlin") == "02:30"
    assert words.clock(after, "Europe/Berlin") == "02:30"
    assert words.day(datetime(2026, 7, 20, 23, 30, tzinfo=UTC), "Europe/Berlin") == "21 July 2026"


@given(st.text(max_size=400))
def test_a_name_in_a_figure_is_no_markup_and_short(name):
    text = words.name_in_figure(name, 44)
    assert "<" not in text and ">" not in text
    assert re.sub(r"&(amp|lt|gt);", "", text).count("&") == 0
    assert len(re.sub(r"&(amp|lt|gt);", "x", text)) <= 44
    assert not any(ord(c) < 32 or c in "\u202e\u202d\u200f\u200e\u2066\u2067\u2068\u2069" for c in text)


@given(st.text(max_size=400), st.none() | st.text(max_size=400))
def test_a_page_name_is_safe_everywhere(machine, field):
    name = page_name("field", machine, field)
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*\.html", name)
    assert len(name) <= 80


@given(st.lists(st.none() | st.text(max_size=8), min_size=2, max_size=2, unique=True), st.text(max_size=8))
def test_different_fields_have_different_pages(fields, machine):
    one, other = (page_name("field", machine, field) for field in fields)
    assert one != other


def test_names_that_run_together_alike_have_different_pages():
    assert page_name("field", "a", "bc") != page_name("field", "ab", "c")
    assert page_name("field", "a", None) != page_name("field", "a", "none")


def test_every_setting_change_reads_as_a_change():
    for name, setting in settings().items():
        text = words.setting_change(name, "1", "2", setting.unit or None)
        assert text.startswith(setting.label)
        assert "1 → 2" in text


def test_what_no_number_can_be_is_said():
    assert words.significant(math.nan) == "unknown"
