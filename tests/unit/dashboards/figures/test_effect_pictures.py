"""The still figure of a season report: every range drawn, nothing escaped from its text, a page at most."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import pytest
from chaffinch.dashboards.figures.effect_pictures import LEFT, RIGHT, WIDTH, effect_pictures
from chaffinch.dashboards.words.shown_changes import Outcome


def outcome(percent: float | None, low: float, high: float, verdict: str) -> Outcome:
    if percent is None:
        return Outcome("cleaning_loss", verdict, *[None] * 7, ("no_readings",))
    logs = [math.log1p(value / 100) for value in (percent, low, high)]
    return Outcome("cleaning_loss", verdict, percent, low, high, *logs, None, ())


def drawn(*groups) -> list[ElementTree.Element]:
    return [ElementTree.fromstring(picture) for picture in effect_pictures(groups, "Effects")]


def lines(picture: ElementTree.Element, kind: str) -> list[tuple[float, float]]:
    found = [e for e in picture.iter("line") if e.get("class") == kind]
    return [(float(e.attrib["x1"]), float(e.attrib["x2"])) for e in found]


def test_halved_and_doubled_lie_equally_far_from_zero():
    (picture,) = drawn(("Fan speed", "", [outcome(10.0, -50.0, 100.0, "no clear change")]))
    low, high = lines(picture, "bar")[0]
    zero = lines(picture, "zero")[0][0]
    assert zero - low == pytest.approx(high - zero, abs=0.11)


def test_a_range_too_wide_to_tell_is_drawn_to_the_edge_without_end_strokes():
    (picture,) = drawn(("Fan speed", "", [outcome(900.0, -95.0, 5000.0, "cannot tell")]))
    assert lines(picture, "bar") == [(LEFT, WIDTH - RIGHT)]
    ends = [e for e in picture.iter("line") if e.get("class") == "end"]
    assert [float(e.attrib["y2"]) - float(e.attrib["y1"]) for e in ends] == [0, 0]
    assert "cannot tell" in "".join(picture.itertext())


def test_without_numbers_there_is_a_dotted_line_and_the_words():
    (picture,) = drawn(("Fan speed", "", [outcome(None, 0, 0, "cannot tell")]))
    assert lines(picture, "bar") == [] and len(lines(picture, "open")) == 1
    assert "cannot tell" in "".join(picture.itertext())


def test_names_stay_text():
    name = '<script>alert("x")</script>" onload="x'
    (picture,) = drawn((name, name, [outcome(10.0, -5.0, 20.0, "no clear change")]))
    assert not [e for e in picture.iter() if e.tag == "script" or "onload" in e.attrib]
    assert "<script>" in "".join(picture.itertext())


def test_many_settings_go_to_several_pictures_and_none_is_lost():
    groups = [(f"Setting {i}", "", [outcome(10.0, -5.0, 20.0, "no clear change")] * 4) for i in range(20)]
    pictures = drawn(*groups)
    assert len(pictures) == 4 and sum(len(lines(p, "bar")) for p in pictures) == 80
    # A4 less its margins is about 178 x 259 mm; a picture as wide as that may be 1.45 times as tall.
    for picture in pictures:
        _, _, width, height = map(float, picture.attrib["viewBox"].split())
        assert height / width < 1.3
    assert "part 2 of 4" in pictures[1].attrib["aria-label"]
