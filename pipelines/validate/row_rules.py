"""Apply the row rules of ``schemas/rules.toml`` to one file that was read.

A rule is one expression that is true where a row fails; there is no loop over rows. A row that fails several
rules is set aside under each of them, once. Only a row without a usable time or identity, or a repeated one,
leaves whole; of a reading with one impossible value that value alone leaves.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, NamedTuple

import polars as pl
from chaffinch.pipelines.parsed import LONGEST_VALUE, Parsed, combined_set_aside
from chaffinch.schemas.declarations import channels, settings
from chaffinch.schemas.declared_checks import RowRule, declared_row_rules

_POSITION = ("latitude", "longitude")


class BrokenRule(NamedTuple):
    """Where ``fails`` is true a row breaks ``rule`` in ``column``; ``sentence`` is made from the row.

    clears : the columns that are emptied then; none where the row leaves whole.
    """

    rule: str
    column: str | None
    fails: pl.Expr
    sentence: pl.Expr
    clears: tuple[str, ...] = ()


def apply_rules(parsed: Parsed) -> Parsed:
    """``parsed`` with the rows that fail a rule moved to ``set_aside``, and single values that fail one.

    A number that is NaN counts as missing, as Parquet files of many loggers write it.
    """
    kept: dict[str, Any] = {}
    aside = [parsed.set_aside] if parsed.set_aside is not None and parsed.set_aside.height else []
    for name in ("readings", "adjustments", "loss_checks", "load_tickets"):
        frame = getattr(parsed, name)
        if frame is None or frame.height == 0:
            continue
        frame = frame.with_columns(pl.col(pl.Float64, pl.Float32).fill_nan(None))
        kept[name], failed = split(frame, list(broken_rules(name, frame)))
        aside.extend(failed)
    if not aside:
        return replace(parsed, **kept)
    whole = combined_set_aside(aside)
    # A reading stays though an adjustment made of it was set aside; a value may be one of a row that leaves.
    own = [frame for name, frame in kept.items() if name != "adjustments" or "readings" not in kept]
    there = [frame["row"].cast(pl.Int64) for frame in (*own, parsed.fields) if frame is not None]
    rows = pl.concat([pl.Series("row", [], dtype=pl.Int64), *there]).unique()
    return replace(parsed, **kept, set_aside=whole.with_columns(row_kept=pl.col("row").is_in(rows.implode())))


def split(frame: pl.DataFrame, found: list[BrokenRule]) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Rows that fail none of ``found`` as a whole, and a row for ``set_aside`` for each rule and column that a
    row fails. Values go first, so that of two rows that differ in nothing else one is a repetition.
    """
    cleared, of_values = _without_values(frame, [rule for rule in found if rule.clears])
    whole = [rule for rule in found if not rule.clears]
    failing = _failing(cleared, whole)
    if not failing.width:
        return cleared, of_values
    of_rows = [_set_aside(frame, failing[name], whole[int(name)]) for name in failing.columns]
    left = failing.select(pl.any_horizontal(pl.all())).to_series()
    return cleared.filter(~left), [*of_values, *of_rows]


def _failing(frame: pl.DataFrame, found: list[BrokenRule]) -> pl.DataFrame:
    """A column for each rule that any row fails, named by its place in ``found``: where it does."""
    any_fails = frame.select(fault.fails.any().alias(str(i)) for i, fault in enumerate(found))
    failing = [i for i in range(len(found)) if any_fails[str(i)][0]]
    return frame.select(found[i].fails.fill_null(False).alias(str(i)) for i in failing)


def _without_values(frame: pl.DataFrame, found: list[BrokenRule]) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    failing = _failing(frame, found)
    aside = []
    cleared = frame
    for name in failing.columns:
        rule = found[int(name)]
        aside.append(_set_aside(frame, failing[name], rule))
        empty = [
            pl.when(~failing[name]).then(pl.col(column)).alias(column)
            for column in rule.clears
            if column in frame.columns
        ]
        cleared = cleared.with_columns(empty)
    return cleared, aside


def _set_aside(frame: pl.DataFrame, failing: pl.Series, fault: BrokenRule) -> pl.DataFrame:
    rows = frame.filter(failing)
    value = pl.col(fault.column).cast(pl.String) if fault.column else pl.lit(None, dtype=pl.String)
    present = [name for name in rows.columns if name != "row" and rows[name].null_count() < rows.height]
    texts = rows.select(pl.col(present).cast(pl.String))
    content = pl.struct(pl.all()).struct.json_encode() if present else pl.lit("{}")
    return rows.select(
        row=pl.col("row").cast(pl.Int64),
        rule=pl.lit(fault.rule),
        column=pl.lit(fault.column, dtype=pl.String),
        value=value.str.slice(0, LONGEST_VALUE),
        sentence=fault.sentence,
        content=pl.lit(texts.select(content).to_series()) if present else content,
        row_kept=pl.lit(bool(fault.clears)),
    )


def broken_rules(table: str, frame: pl.DataFrame) -> Iterator[BrokenRule]:
    """The rules that apply to ``table``, over the columns that ``frame`` has."""
    for rule in declared_row_rules().values():
        if table not in rule.tables:
            continue
        if rule.check == "setting_range":
            yield from _setting_ranges(rule, frame)
        elif rule.check == "repeated":
            yield BrokenRule(rule.name, None, _repeated(frame), pl.lit(rule.sentence))
        else:
            yield from _by_columns(rule.name, tuple(frame.columns))


@lru_cache(maxsize=512)
def _by_columns(name: str, columns: tuple[str, ...]) -> tuple[BrokenRule, ...]:
    """What rule ``name`` says of a table with these columns. Kept: to make it takes longer than a small file."""
    rule = declared_row_rules()[name]
    if rule.check == "channel_ranges":
        return tuple(_channel_ranges(rule, columns))
    if rule.check != "not_both_zero":
        return tuple(broken for column in rule.columns for broken in _limits(rule, column, columns))
    if not set(rule.columns) <= set(columns):
        return ()
    both = pl.all_horizontal(pl.col(column) == 0 for column in rule.columns)
    clears = rule.columns if rule.value_only else ()
    return (BrokenRule(rule.name, rule.columns[0], both, pl.lit(rule.sentence), clears),)


def _limits(rule: RowRule, column: str, columns: Collection[str]) -> Iterator[BrokenRule]:
    """``required``, ``moment`` and ``range`` on one column."""
    empty_fails = pl.lit(rule.null == "fails")
    if column not in columns:
        if rule.null == "fails":
            yield BrokenRule(rule.name, None, pl.repeat(True, pl.len()), pl.lit(rule.sentence))
        return
    value = pl.col(column)
    if rule.check == "required":
        fails = value.is_null() | (value.str.strip_chars() == "")
    elif rule.check == "moment":
        start, end = (datetime(int(year or 1), 1, 1, tzinfo=UTC) for year in (rule.low, rule.high))
        fails = pl.when(value.is_null()).then(empty_fails).otherwise((value < start) | (value >= end))
    else:
        outside = _outside(value, rule.low, rule.high)
        outside = outside | (value <= rule.above) if rule.above is not None else outside
        fails = pl.when(value.is_null()).then(empty_fails).otherwise(outside)
    sentence = _filled(rule.sentence, column=column, low=rule.low, high=rule.high)
    yield BrokenRule(rule.name, column, fails, _with_value(sentence, column))


def _channel_ranges(rule: RowRule, columns: Collection[str]) -> Iterator[BrokenRule]:
    for channel in channels().values():
        if channel.name in columns:
            value = pl.col(channel.name)
            known = {
                "meaning": channel.meaning,
                "unit": channel.unit,
                "low": channel.low,
                "high": channel.high,
            }
            sentence = _filled(rule.sentence, **known)
            fails = ~value.is_between(channel.low, channel.high)
            # One coordinate alone is not a position.
            clears = _POSITION if channel.name in _POSITION else (channel.name,)
            with_value = _with_value(sentence, channel.name)
            yield BrokenRule(rule.name, channel.name, fails, with_value, clears if rule.value_only else ())


def _setting_ranges(rule: RowRule, frame: pl.DataFrame) -> Iterator[BrokenRule]:
    """Numbers of an adjustment outside what its setting can take; words pass, ingest has judged them."""
    (column,) = rule.columns
    if column not in frame.columns:
        return
    number = pl.col(column).cast(pl.Float64, strict=False)
    named = set(frame["setting"].drop_nulls().unique().to_list())
    for setting in settings().values():
        if setting.kind != "number" or setting.name not in named:
            continue
        sentence = _filled(
            rule.sentence, setting=setting.label, unit=setting.unit, low=setting.low, high=setting.high
        )
        fails = (pl.col("setting") == setting.name) & _outside(number, setting.low, setting.high)
        yield BrokenRule(rule.name, column, fails, _with_value(sentence, column))


def _outside(value: pl.Expr, low: float | None, high: float | None) -> pl.Expr:
    """Whether ``value`` is beyond a limit; None is no limit."""
    below = value < low if low is not None else pl.lit(False)
    return below | (value > high) if high is not None else below


def _repeated(frame: pl.DataFrame) -> pl.Expr:
    """True for each row that equals an earlier one in all but its number; empty values are equal too."""
    # Comparing whole rows is slow; where no two rows of a machine share a time there is nothing to compare.
    if "time" in frame.columns and _all_differ(frame):
        return pl.repeat(False, pl.len())
    others = [name for name in frame.columns if name != "row"]
    return ~pl.struct(others).is_first_distinct()


def _all_differ(frame: pl.DataFrame) -> bool:
    """Whether no two rows have one machine and time; known at once where the rows of each machine lie together and
    ascend.
    """
    times = frame["time"]
    machines = frame["machine"] if "machine" in frame.columns else times.is_null()
    run = machines.rle_id()
    goes_on = (times.to_physical().diff() > 0) | (run.diff() > 0)
    ascend = times.null_count() == 0 and bool(goes_on[1:].all(ignore_nulls=False))
    return (ascend and run.n_unique() == machines.n_unique()) or times.n_unique() == len(times)


def _filled(sentence: str, **known: object) -> str:
    """``sentence`` with what is the same for all rows; ``{value}`` stays."""
    for name, thing in known.items():
        shown = f"{thing:g}" if isinstance(thing, float) else str(thing if thing is not None else "")
        sentence = sentence.replace("{" + name + "}", shown)
    return " ".join(sentence.replace(" :", ":").replace(" .", ".").split())


def _with_value(sentence: str, column: str) -> pl.Expr:
    before, found, after = sentence.partition("{value}")
    if not found:
        return pl.lit(sentence)
    return pl.lit(before) + pl.col(column).cast(pl.String).fill_null("nothing") + pl.lit(after)
