"""Nothing in a file can control a terminal."""

from __future__ import annotations

import json
import unicodedata

from chaffinch.pipelines.terminal import json_text, visible
from hypothesis import given
from hypothesis import strategies as st

ANY_TEXT = st.text(st.characters(exclude_categories=()))


@given(ANY_TEXT)
def test_no_character_that_acts_is_left(text: str) -> None:
    """Categories of Unicode (UAX 44): control, format, surrogate, line and paragraph separator."""
    shown = visible(text)
    shown.encode()
    assert not {unicodedata.category(one) for one in shown} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@given(st.dictionaries(ANY_TEXT, ANY_TEXT))
def test_json_means_the_same_and_acts_as_little(value: dict[str, str]) -> None:
    text = json_text(value)
    assert json.loads(text) == value
    assert visible(text) == text


def test_words_stay_as_they_are() -> None:
    assert visible("Mähdrescher 1 240 t, 3 × ½") == "Mähdrescher 1 240 t, 3 × ½"
    assert visible("\x1b]0;owned\x07\x9b31m\u202egnp") == r"\x1b]0;owned\x07\x9b31m\u202egnp"
