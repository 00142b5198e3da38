"""Texts to numbers: decimal comma or point, thousands marks, and the many ways to write nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import polars as pl

MISSING = ("", "-", "--", "---", "n/a", "na", "nan", "null", "none", "nil", "?", "#n/a", ".", "missing")
Mark = Literal[",", "."]


@dataclass(frozen=True, slots=True)
class Numbers:
    """``values``: Float64, null where missing or bad. ``bad``: where a text is neither number nor missing.

    ``ambiguous``: every mark in the column could separate decimals or thousands, and ``mark`` decided.
    """

    values: pl.Series
    bad: pl.Series
    ambiguous: bool = False


def is_missing(texts: pl.Series) -> pl.Series:
    """Where ``texts`` say that there is no value."""
    return texts.is_null() | texts.str.strip_chars().str.to_lowercase().is_in(list(MISSING))


def decimal_mark(columns: list[pl.Series]) -> Mark | None:
    """The decimal mark that the columns of a file show beyond doubt, else None."""
    comma = point = 0
    for texts in columns:
        # A mark is beyond doubt when other than three digits follow it, or when a zero leads.
        comma += int(texts.str.contains(r"^[+-]?\d*,(\d{1,2}|\d{4,})$|^[+-]?0,\d+$").sum())
        comma += int(texts.str.contains(r"^[+-]?\d{1,3}(\.\d{3})+,\d+$").sum())
        point += int(texts.str.contains(r"^[+-]?\d*\.(\d{1,2}|\d{4,})$|^[+-]?0\.\d+$").sum())
        point += int(texts.str.contains(r"^[+-]?\d{1,3}(,\d{3})+\.\d+$").sum())
    if comma == point == 0:
        return None
    return "," if comma > point else "."


def parse_numbers(texts: pl.Series, mark: Mark | None) -> Numbers:
    """Numbers of one column. ``mark``: the decimal mark of the file, None where nothing in it shows one.

    A column that holds a point as decimal mark is read so even in a file with decimal commas.
    """
    import polars as pl

    texts = texts.fill_null("").str.strip_chars()
    values = texts.cast(pl.Float64, strict=False)
    values = values.set(values.is_nan() | values.is_infinite(), None)
    marked = texts.str.contains(r"[,' \u00a0\u202f]")
    thousands_points = mark == "," and _all_thousands(texts, ".")
    ambiguous = False
    if marked.any() or thousands_points:
        cleaned = texts.str.replace_all(r"(\d)[' \u00a0\u202f](\d{3})", "$1$2")
        own = decimal_mark([cleaned]) or mark
        if own is None and cleaned.str.contains(",", literal=True).any():
            ambiguous, own = True, "."
        if own == ",":
            points = cleaned.str.contains(r"^[+-]?\d{1,3}(\.\d{3})+(,\d+)?$")
            grouped = cleaned.str.replace_all(".", "", literal=True)
            cleaned = (
                cleaned.zip_with(~points, grouped)
                if thousands_points or not _has_decimal_point(texts)
                else cleaned
            )
            cleaned = cleaned.str.replace(r"^([+-]?\d*),(\d*)$", "$1.$2")
        else:
            commas = cleaned.str.contains(r"^[+-]?\d{1,3}(,\d{3})+(\.\d+)?$")
            cleaned = cleaned.zip_with(~commas, cleaned.str.replace_all(",", "", literal=True))
        again = cleaned.cast(pl.Float64, strict=False)
        values = again.set(again.is_nan() | again.is_infinite(), None)
    bad = values.is_null() & ~is_missing(texts)
    return Numbers(values, bad, ambiguous)


def _all_thousands(texts: pl.Series, mark: str) -> bool:
    """Whether ``mark`` occurs, and only where it may group thousands."""
    with_mark = texts.filter(texts.str.contains(mark, literal=True))
    return len(with_mark) > 0 and bool(with_mark.str.contains(r"^[+-]?\d{1,3}(\.\d{3})+(,\d+)?$").all())


def _has_decimal_point(texts: pl.Series) -> bool:
    return bool(texts.str.contains(r"^[+-]?\d*\.(\d{1,2}|\d{4,})$").any())


def plain_number(value: float) -> str:
    """``value`` as people write it: ``1080`` rather than ``1080.0``, at most six decimals."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text
