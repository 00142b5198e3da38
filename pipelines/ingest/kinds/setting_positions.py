"""Words for the positions of a setting, as people write them, to the words of the catalogue."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.ingest.text.headers import letters_and_digits
from chaffinch.pipelines.ingest.text.number_parsing import is_missing
from chaffinch.schemas.declarations import Setting

_ALIKE = {
    "open": ("opened", "open"),
    "closed": ("close", "shut", "closed"),
    "on": ("on", "1", "true", "yes", "engaged", "active"),
    "off": ("off", "0", "false", "no", "disengaged", "inactive"),
    "low": ("low", "lo", "slow"),
    "high": ("high", "hi", "fast"),
}


def position_words(texts: pl.Series, setting: Setting) -> pl.Series:
    """``texts`` as positions of ``setting`` where recognised, else as they stand; null where missing."""
    known = {letters_and_digits(word): word for word in setting.positions}
    for word, alikes in setting.same_as.items():
        known.update((letters_and_digits(alike), word) for alike in alikes)
    for word in setting.positions:
        for alike in _ALIKE.get(word, ()):
            known.setdefault(letters_and_digits(alike), word)
    clean = texts.str.strip_chars()
    clean = clean.set(is_missing(clean), None)
    plain = {
        text: known.get(letters_and_digits(text), text) for text in clean.unique().drop_nulls().to_list()
    }
    return clean.replace_strict(plain, default=None, return_dtype=pl.String)
