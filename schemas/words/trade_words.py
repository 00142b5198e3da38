"""Words of the trade by language: headers, settings, crops, and the small words of a notebook.

``trade_words.csv``: a channel, setting, column or crop and its names in each language. ``notebook_words.csv``: what
a word does in a sentence (with ``*``: every word that begins so), the endings of words, and names of settings that
only notebooks use. Words compare as ``folded`` writes them: without case, accents, spaces and signs, and
without the small words between the others (``régime du batteur`` is ``régime batteur``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache, lru_cache
from types import MappingProxyType

from chaffinch.schemas.declarations import crops, declared_rows, index_of_names, letters_and_digits, settings

LANGUAGES = ("en", "de", "fr", "es", "it", "pt", "nl", "pl", "da", "sv", "uk", "ru")
# Small words inside a name: of, of the, at, from.
_BETWEEN = frozenset((
    "of", "the", "der", "die", "das", "des", "dem", "den", "vom", "am", "im", "du", "de", "la", "le", "les", "d",
    "l", "del", "della", "dello", "dei", "delle", "al", "el", "los", "las", "da", "do", "dos", "van", "het", "w",
    "na", "z", "av", "i", "på", "för",
))  # fmt: skip


@lru_cache(maxsize=20_000)
def folded(text: str, strict: bool = False) -> str:
    """``text`` as words compare: see the module. ``strict``: small words alone are nothing."""
    tokens = re.findall(r"\w+", text.casefold())
    kept = [token for token in tokens if token not in _BETWEEN] or ([] if strict else tokens)
    return letters_and_digits("".join(kept))


@lru_cache(maxsize=20_000)
def any_order(text: str) -> str:
    """``folded``, whatever the order of the words."""
    return "".join(
        sorted(folded(word) for word in re.findall(r"\w+", text.casefold()) if word not in _BETWEEN)
    )


@cache
def trade_words() -> Mapping[str, Mapping[str, tuple[str, ...]]]:
    """Target -> language -> its names there. Targets: channels, settings, columns of tables, crops; two settings
    joined by a bar where people shorten the names of both to one word.
    """
    return MappingProxyType(
        {
            row["target"]: {
                language: tuple(row[language].split("|")) for language in LANGUAGES if row[language]
            }
            for row in declared_rows("words/trade_words.csv")
        }
    )


@cache
def foreign_names() -> Mapping[str, tuple[str, ...]]:
    """Target -> its names in every language but English."""
    whole = {target: by for target, by in trade_words().items() if "|" not in target}
    return MappingProxyType(
        {target: tuple(w for words in by.values() for w in words) for target, by in whole.items()}
    )


@cache
def crop_names() -> Mapping[str, str]:
    """Names and synonyms of crops in all languages, as ``letters_and_digits`` writes them, to the crop."""
    named = {c.name: (c.label, *c.synonyms, *foreign_names().get(c.name, ())) for c in crops().values()}
    return index_of_names(named, "schemas/crops.toml and schemas/words/trade_words.csv")


@cache
def setting_words(language: str) -> Mapping[str, tuple[str, ...]]:
    """Folded name -> settings that it may mean in ``language``; the catalogue's English names count in each."""
    found: dict[str, tuple[str, ...]] = {}
    for setting in settings().values():
        names = list(trade_words().get(setting.name, {}).get(language, ()))
        names += [setting.name.replace("_", " "), setting.label, *setting.synonyms]
        for name in names:
            found.setdefault(folded(name), (setting.name,))
            if setting.kind == "service":
                # "cleaned sieves" as well as "sieves cleaned"
                found.setdefault(any_order(name), (setting.name,))
    for target, by_language in trade_words().items():
        if "|" in target:
            found |= {folded(word): tuple(target.split("|")) for word in by_language.get(language, ())}
    return MappingProxyType(found)


@cache
def notebook_words(language: str, role: str, stems: bool = False) -> frozenset[str]:
    """Words of ``language`` that play ``role`` in a notebook, as ``letters_and_digits`` writes them.

    ``stems``: beginnings of words that play it whatever their ending.
    """
    words = notebook_words_written(language, role)
    return frozenset(letters_and_digits(word) for word in words if word.endswith("*") == stems)


def notebook_names(language: str, setting: str) -> tuple[str, ...]:
    """Names of a setting that are too short or too vague for a header, and are used in notebooks."""
    return notebook_words_written(language, setting) if setting in _notebook_rows() else ()


def notebook_words_written(language: str, role: str) -> tuple[str, ...]:
    """Words of ``language`` that play ``role``, as the table has them."""
    return tuple(word for word in _notebook_rows()[role][language].split("|") if word)


@cache
def _notebook_rows() -> Mapping[str, Mapping[str, str]]:
    return {row["role"]: row for row in declared_rows("words/notebook_words.csv")}
