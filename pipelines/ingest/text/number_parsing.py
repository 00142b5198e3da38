"""Texts to numbers: decimal comma or point, thousands marks, and the many ways to write nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl
from chaffinch.schemas.units import looks_like_unit

MISSING = ("", "-", "--", "---", "n/a", "na", "nan", "null", "none", "nil", "?", "#n/a", ".", "missing")
Mark = Literal[",", "."]
_SPACE = "['’ \u00a0\u202f]"
_SPACED = rf"\d{_SPACE}\d"

# A mark is beyond doubt when other than three digits follow it, or when a zero leads.
_COMMAS = (r"^[+-]?\d*,(\d{1,2}|\d{4,})$|^[+-]?0,\d+$", r"^[+-]?\d{1,3}(\.\d{3})+,\d+$")
_POINTS = (r"^[+-]?\d*\.(\d{1,2}|\d{4,})$|^[+-]?0\.\d+$", r"^[+-]?\d{1,3}(,\d{3})+\.\d+$")
_BEYOND_DOUBT = [
    sum((pl.col("text").str.contains(pattern).sum() for pattern in patterns), pl.lit(0)).alias(name)
    for name, patterns in (("comma", _COMMAS), ("point", _POINTS))
]


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
    both = all(any(c.str.contains(mark, literal=True).any() for c in columns) for mark in (",", "."))
    for texts in columns:
        if not both and comma + point:
            # Where only one mark occurs, the first that is beyond doubt decides.
            break
        # All at once: of a small file the calls cost more than the work.
        found = texts.to_frame("text").select(_BEYOND_DOUBT).row(0)
        comma, point = comma + int(found[0]), point + int(found[1])
    if comma == point == 0:
        return None
    return "," if comma > point else "."


def parse_numbers(texts: pl.Series, mark: Mark | None) -> Numbers:
    """Numbers of one column. ``mark``: the decimal mark of the file, None where nothing in it shows one.

    A column that holds a point as decimal mark is read so even in a file with decimal commas.
    """
    texts = texts.fill_null("").str.strip_chars()
    if texts.str.contains(_SPACED).any():
        # Spaces and apostrophes between digits group thousands whatever the decimal mark is.
        grouped = texts.str.contains(rf"^[+-]?\d{{1,3}}({_SPACE}\d{{3}})+([.,]\d*)?$")
        texts = texts.zip_with(~grouped, texts.str.replace_all(_SPACE, ""))
    comma = bool(texts.str.contains(",", literal=True).any())
    point = bool(texts.str.contains(".", literal=True).any())
    ambiguous = False
    if comma and not point:
        own = decimal_mark([texts]) or mark
        ambiguous = own is None
        values = _as_numbers(texts.str.replace(",", ".", literal=True) if own == "," else texts)
    elif comma or (mark == "," and _all_thousands(texts)):
        own, values = decimal_mark([texts]) or mark or ".", None
        if not comma:
            own = ","
    else:
        own, values = mark, _as_numbers(texts)
    odd = values is None or values.null_count() > 0
    if odd:
        values = _with_odd_ones(texts, values, own or ".")
    assert values is not None
    bad = values.is_null()
    if bad.any():
        bad &= ~is_missing(texts)
    return Numbers(values, bad, ambiguous)


def plain_columns(texts: pl.DataFrame, mark: Mark | None) -> dict[str, pl.Series]:
    """The numbers of those columns that hold plain decimals and empty texts alone, by name.

    What ``parse_numbers`` gives for such columns, in a fraction of the time; others need its closer look.
    """
    if mark == ",":
        # Where there are points they may group thousands.
        pointed = texts.select(pl.all().str.contains(".", literal=True).any()).row(0, named=True)
        texts = texts.select(name for name in texts.columns if not pointed[name])
        texts = texts.select(pl.all().str.replace(",", ".", literal=True))
    written = texts.select((pl.all() != "").sum()).row(0, named=True)
    values = texts.select(pl.all().cast(pl.Float64, strict=False))
    numbers = values.select(pl.all().is_finite().sum()).row(0, named=True)
    return {name: values[name] for name in values.columns if numbers[name] == written[name]}


def unit_in_values(texts: pl.Series) -> tuple[pl.Series, str | None]:
    """Take the unit out of values such as ``1080 rpm`` where most have the same, known one.

    One odd value (``0x1F``, ``12 m``) among plain numbers says nothing about the unit of the others.
    """
    with_unit = texts.str.contains(r"\d\s*[a-zA-Z%°/]+$")
    if not with_unit.any() or 2 * int(with_unit.sum()) < int((~is_missing(texts)).sum()):
        return texts, None
    units = texts.filter(with_unit).str.extract(r"([a-zA-Z%°/]+)$").unique().to_list()
    if len(units) != 1 or not looks_like_unit(units[0]):
        return texts, None
    return texts.str.strip_suffix(units[0]).str.strip_chars(), units[0]


def _as_numbers(texts: pl.Series) -> pl.Series:
    """Plain decimals to Float64; null for all else, for infinities and for what spells "not a number"."""
    values = texts.cast(pl.Float64, strict=False)
    return values.set(~values.is_finite(), None)


def _with_odd_ones(texts: pl.Series, values: pl.Series | None, mark: Mark) -> pl.Series:
    """Fill what the plain way could not read: thousands marks of any kind, both marks in one column."""
    if values is None:
        values = pl.repeat(None, len(texts), dtype=pl.Float64, eager=True)
    at = (values.is_null() & texts.str.contains(r"\d")).arg_true()
    if not len(at):
        return values
    cleaned = texts.gather(at)
    if mark == ",":
        points = cleaned.str.contains(r"^[+-]?\d{1,3}(\.\d{3})+(,\d+)?$")
        if not cleaned.str.contains(r"^[+-]?\d*\.(\d{1,2}|\d{4,})$").any():
            cleaned = cleaned.zip_with(~points, cleaned.str.replace_all(".", "", literal=True))
        cleaned = cleaned.str.replace(r"^([+-]?\d*),(\d*)$", "$1.$2")
    else:
        commas = cleaned.str.contains(r"^[+-]?\d{1,3}(,\d{3})+(\.\d+)?$")
        cleaned = cleaned.zip_with(~commas, cleaned.str.replace_all(",", "", literal=True))
    return values.scatter(at, _as_numbers(cleaned))


def _all_thousands(texts: pl.Series) -> bool:
    """Whether points occur, and only where they may group thousands."""
    with_mark = texts.filter(texts.str.contains(".", literal=True))
    grouped = r"^[+-]?\d{1,3}(\.\d{3})+(,\d+)?$"
    # The first rows nearly always decide.
    return len(with_mark) > 0 and all(
        part.str.contains(grouped).all() for part in (with_mark[:100], with_mark)
    )


def plain_number(value: float) -> str:
    """``value`` as people write it: ``1080`` rather than ``1080.0``, at most six decimals."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text
