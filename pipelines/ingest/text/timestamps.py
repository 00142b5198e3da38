"""Texts to moments in UTC: the many ways to write a time, epochs and serial numbers, impossible dates."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.text.number_parsing import is_missing, parse_numbers

EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)
# Day 0 of spreadsheet serial numbers; sound from 1 March 1900 on. From memory.
SERIAL_ZERO = datetime(1899, 12, 30)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_PARTS = (
    r"^(?:[a-z]{2,9}\.?,?\s+)?(?P<a>\d{1,4})[-/. ](?P<b>\d{1,2})[-/. ](?P<c>\d{1,4})[t ,]+"
    r"(?P<h>\d{1,2})[:h](?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,:](?P<f>\d{1,9}))?)?\s*(?P<p>[ap]\.?m\.?)?"
    r"\s*(?P<o>z|utc|gmt|[+-]\d{2}:?\d{2}|[+-]\d{2})?$"
)


_ISO_OFFSET = re.compile(r"Z|(?:(?P<sign>[+-])(?P<h>0[0-9]|1[0-4]):?(?P<m>[0-5][0-9]))?")


NOTHING_DECIDES = "as nothing in the file decides"


@dataclass(frozen=True, slots=True)
class Timestamps:
    """Times as read. ``utc``: where the text carries an offset; ``local``: wall-clock times without one.

    Exactly one of the two is not null in a row that could be read. ``asked``: sentences that ask something.
    """

    utc: pl.Series
    local: pl.Series
    notes: tuple[str, ...] = field(default=())
    asked: tuple[str, ...] = field(default=())


def _found(moments: pl.Series, *notes: str) -> Timestamps:
    """Moments of one column: in UTC where they have a zone, else of a wall clock."""
    kind = moments.dtype
    zoned = isinstance(kind, pl.Datetime) and kind.time_zone is not None
    other = _nothing(len(moments), None if zoned else "UTC")
    return Timestamps(*((moments, other) if zoned else (other, moments)), notes)


def parse_timestamps(
    file: str,
    times: pl.Series,
    dates: pl.Series | None,
    unit: str | None,
    stated: FileColumns,
    month_leads: bool | None = None,
    by_others: bool | None = None,
) -> Timestamps:
    """Read a column of times, with a separate column of dates where there is one.

    ``unit``: what the header says in brackets (``UTC``, ``s``, ``ms``). ``month_leads``: whether units or places of
    the file are those of a country that writes the month first; None where they say nothing. ``by_others``: whether
    other files say that the day leads; asked last.

    Raises ``UnreadableFile`` where the times count from a start that nothing states.
    """
    texts = times.fill_null("").str.strip_chars()
    if dates is not None:
        texts = _with_dates(texts, dates.fill_null("").str.strip_chars())
    if stated.time_start is not None:
        return _since_start(texts, stated.time_start, unit)
    if stated.time_format is not None:
        return _by_format(file, texts, stated.time_format)
    found = _iso(texts)
    if found is None:
        _refuse_without_date(file, texts)
        numbers = parse_numbers(texts, None)
        present = int((~is_missing(texts)).sum())
        if present and int((numbers.values.is_not_null()).sum()) >= 0.9 * present:
            return _from_numbers(file, texts, numbers.values)
        found = _by_parts(texts, stated.day_first, month_leads, by_others)
    if (unit or "").strip().lower() in ("utc", "gmt", "z", "zulu"):
        # Local times are of UTC where the header says so.
        utc = found.utc.fill_null(found.local.dt.replace_time_zone("UTC"))
        return replace(found, utc=utc, local=_nothing(len(texts)))
    return found


def plausible(moments: pl.Series) -> pl.Series:
    """``moments`` (UTC) with those before 1990 or from 2100 on made null: a clock that was never set."""
    return moments.set((moments < EARLIEST) | (moments >= LATEST), None)


def _nothing(length: int, zone: str | None = None) -> pl.Series:
    return pl.repeat(None, length, dtype=pl.Datetime("us", zone), eager=True)


def _with_dates(times: pl.Series, dates: pl.Series) -> pl.Series:
    """Join dates and times of day; a time that already carries its date stays as it is."""
    whole = times.str.contains(r"\d[-/.]\d{1,2}[-/.]\d")
    clean = dates.str.replace(r"[T ]0{1,2}:00(:00(\.0+)?)?$", "")
    clean = clean.str.replace(r"^((?:19|20)\d{2})(\d{2})(\d{2})$", "$1-$2-$3")
    both = clean + " " + _times_of_day(times)
    return times.zip_with(whole | (times == ""), both.set(clean == "", "")).cast(pl.String)


def _times_of_day(times: pl.Series) -> pl.Series:
    """``HHMMSS`` and parts of a day (0.5 is noon) as ``HH:MM:SS``; other texts as they are."""
    digits = times.str.contains(r"^\d{5,6}(\.\d+)?$")
    if digits.any():
        whole = times.str.extract(r"^(\d{5,6})").str.zfill(6) + times.str.extract(r"(\.\d+)$").fill_null("")
        times = times.zip_with(~digits, whole.str.replace(r"^(\d{2})(\d{2})(\d{2})", "$1:$2:$3"))
    parts = times.str.contains(r"^0?[.,]\d+$|^0$")
    if parts.any():
        day = times.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        passed = (day.set(day >= 1, None) * 86_400e3).round(0).cast(pl.Int64).cast(pl.Duration("ms"))
        clock = pl.Series([SERIAL_ZERO], dtype=pl.Datetime("us")).new_from_index(0, len(times)) + passed
        times = times.zip_with(~parts, clock.dt.strftime("%H:%M:%S%.3f"))
    return times


def _since_start(texts: pl.Series, start: datetime, unit: str | None) -> Timestamps:
    """Seconds (or the unit in the header) since a stated start."""
    per_second = {"ms": 1e3, "min": 60e6, "h": 3600e6}.get((unit or "s").strip().lower(), 1e6)
    seconds = parse_numbers(texts, None).values
    passed = (seconds.set(seconds.abs() > 1e10, None) * per_second).round(0).cast(pl.Int64)
    zone = None if start.tzinfo is None else "UTC"
    begin = pl.Series([start.astimezone(UTC) if zone else start], dtype=pl.Datetime("us", zone))
    return _found(begin.new_from_index(0, len(texts)) + passed.cast(pl.Duration("us")))


def _by_format(file: str, texts: pl.Series, form: str) -> Timestamps:
    try:
        zone = "UTC" if "%z" in form or "%:z" in form else None
        return _found(texts.str.to_datetime(form, time_unit="us", time_zone=zone, strict=False))
    except pl.exceptions.PolarsError:
        raise UnreadableFile(file, f"The time_format '{form}' in farm.toml is not a time format.") from None


def _from_numbers(file: str, texts: pl.Series, values: pl.Series) -> Timestamps:
    """Epoch seconds or milliseconds, spreadsheet serials, compact digits: distinguished by magnitude."""
    # A clock that starts at zero must not hide what the others are, hence the upper quartile.
    typical = float(values.quantile(0.75) or 0.0)
    compact = texts.str.contains(r"^(19|20)\d{12}(\.\d+)?$")
    if int(compact.sum()) > 0.5 * len(texts):
        digits = texts.str.slice(0, 14)
        return _found(digits.str.to_datetime("%Y%m%d%H%M%S", time_unit="us", strict=False))
    for low, high, per_unit in ((1e8, 1e10, 1e6), (1e11, 1e13, 1e3), (1e14, 1e16, 1.0), (1e17, 1e19, 1e-3)):
        if low <= typical < high:
            whole = (values.set(values.abs() >= high, None) * per_unit).round(0).cast(pl.Int64)
            return _found(whole.cast(pl.Datetime("us", "UTC")))
    if 30_000 <= typical < 80_000:
        # To the millisecond: a serial number holds no more.
        passed_ms = (values.set(values.abs() >= 1e6, None) * 86_400e3).round(0).cast(pl.Int64)
        days = passed_ms.cast(pl.Duration("ms")).cast(pl.Duration("us"))
        zero = pl.Series([SERIAL_ZERO], dtype=pl.Datetime("us")).new_from_index(0, len(texts))
        return _found(zero + days, "Times are spreadsheet serial numbers, days since 30 December 1899.")
    raise UnreadableFile(
        file,
        f"Times are plain numbers such as '{texts[0]}' that count from an unknown start; say in farm.toml "
        f'when it was: [columns."{file.rpartition("/")[2]}"] time_start = 2026-08-01T10:00:00.',
    )


def _starts_as_iso(sample: str) -> bool:
    return len(sample) >= 16 and sample[4] == "-" and sample[10] in "T "


def _seconds_of_iso(texts: pl.Series, sample: str) -> Timestamps | None:
    """ISO 8601 to the whole second, one offset or none in all of it, the fastest way; None for other forms."""
    offset = _ISO_OFFSET.fullmatch(sample[19:])
    if not _starts_as_iso(sample) or offset is None:
        return None
    form = f"%Y-%m-%d{sample[10]}%H:%M:%S{offset[0]}"
    read = texts.str.to_datetime(form, time_unit="us", strict=False, cache=False)
    if read.null_count():
        return None
    if not offset[0]:
        return _found(read)
    ahead = timedelta(hours=int(offset["h"] or 0), minutes=int(offset["m"] or 0))
    utc = read + ahead if offset["sign"] == "-" else read - ahead
    return _found(utc.dt.replace_time_zone("UTC"))


def _iso(texts: pl.Series) -> Timestamps | None:
    """ISO 8601 by the fast way; None when the texts are not all of one such form."""
    if len(texts) and (found := _seconds_of_iso(texts, texts[0])) is not None:
        return found
    filled = texts.set(is_missing(texts), None)
    sample = next((t for t in filled.head(1000) if t), "")
    if not _starts_as_iso(sample):
        return None
    zulu, signed = sample.endswith("Z"), "+" in sample[16:] or "-" in sample[16:]
    if zulu:
        if not filled.str.ends_with("Z").all():
            return None
        filled = filled.str.strip_suffix("Z")
    seconds = ":%S%.f" if sample[16:17] == ":" else ""
    form = f"%Y-%m-%d{sample[10]}%H:%M{seconds}{'%z' if signed else ''}"
    zone = "UTC" if signed else None
    read = filled.str.to_datetime(form, time_unit="us", time_zone=zone, strict=False)
    if read.null_count() != filled.null_count():
        return None
    return _found(read.dt.replace_time_zone("UTC") if zulu else read)


def _refuse_without_date(file: str, texts: pl.Series) -> None:
    present = texts.filter(~is_missing(texts))
    bare = present.str.contains(r"(?i)^\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?\s*([ap]\.?m\.?)?$")
    if len(present) and bare.sum() > len(present) / 2:
        raise UnreadableFile(
            file,
            f"Times such as '{present.filter(bare)[0]}' have no date; say it in farm.toml: "
            f'[columns."{file.rpartition("/")[2]}"] constants = {{ date = "2026-08-01" }}.',
        )


def _by_parts(
    texts: pl.Series, day_first: bool | None, month_leads: bool | None, by_others: bool | None
) -> Timestamps:
    """Times of any common form, part by part; a text of no such form is null."""
    plain = texts.str.to_lowercase()
    if plain.str.contains(r"[a-z]{3}").any():
        plain = _months_as_numbers(plain)
    parts = plain.str.extract_groups(_PARTS).struct.unnest()
    number = {n: parts[n].cast(pl.Int32, strict=False) for n in "abchms"}
    year_first = parts["a"].str.len_chars() == 4
    if month_leads is None and parts["p"].is_not_null().any():
        # Files with am and pm mostly write the month first.
        month_leads = True
    order = _day_leads(number, year_first, texts, day_first, month_leads, by_others)
    day_leads = order.day_leads
    frame = pl.DataFrame({**number, "y1": year_first, "f": parts["f"], "p": parts["p"], "o": parts["o"]})
    day, month = ("a", "b") if day_leads else ("b", "a")
    pick = pl.when("y1")
    year = pick.then(pl.col("a")).otherwise(pl.col("c"))
    year = pl.when(year < 100).then(year + 2000).otherwise(year)
    hour = pl.col("h") % 12 + pl.when(pl.col("p").str.starts_with("p")).then(12).otherwise(0)
    hour = pl.when(pl.col("p").is_null()).then(pl.col("h")).otherwise(hour)
    wall = pl.format(
        "{}-{}-{} {}:{}:{}",
        year,
        pick.then(pl.col("b")).otherwise(pl.col(month)),
        pick.then(pl.col("c")).otherwise(pl.col(day)),
        hour,
        pl.col("m"),
        pl.col("s").fill_null(0),
    ).str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us", strict=False)
    micro = pl.col("f").str.pad_end(6, "0").str.slice(0, 6).cast(pl.Int64, strict=False).fill_null(0)
    frame = frame.select(wall=wall + micro.cast(pl.Duration("us")), o="o")
    return replace(_apply_offsets(frame), notes=order.notes, asked=order.asked)


def _months_as_numbers(plain: pl.Series) -> pl.Series:
    """``5 nov 2011 ...`` and ``nov 5, 2011 ...`` as ``2011-11-5 ...``."""
    for index, month in enumerate(_MONTHS, start=1):
        name = rf"{month}[a-z]*\.?"
        plain = plain.str.replace(rf"(\d{{1,2}})[-\s./]{name}[-\s./,]+(\d{{4}})", f"${{2}}-{index}-$1")
        plain = plain.str.replace(rf"{name}[-\s./]+(\d{{1,2}})[,\s]+(\d{{4}})", f"${{2}}-{index}-$1")
    return plain


@dataclass(frozen=True, slots=True)
class _Order:
    """Whether the day comes before the month, a note on how that is known, or the question where it is not."""

    day_leads: bool
    notes: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()


def _day_leads(
    number: dict[str, pl.Series],
    year_first: pl.Series,
    texts: pl.Series,
    stated: bool | None,
    month_leads: bool | None,
    by_others: bool | None,
) -> _Order:
    """Whether 03/04/2026 is 3 April: as stated, by numbers above 12, by dots, by which way the days of the file lie
    close together, by the country that units or places show, by other files; else it is asked.
    """
    open_order = ~year_first.fill_null(True)
    if stated is not None or not open_order.any():
        return _Order(stated is not False)
    first, second = number["a"].filter(open_order), number["b"].filter(open_order)
    over_first, over_second = int((first > 12).sum()), int((second > 12).sum())
    if over_first or over_second:
        return _Order(over_first >= over_second)
    example = texts.filter(open_order)[0]
    if "." in example.split(" ")[0]:
        return _Order(True)
    shown = f"Dates such as '{example}' were read"
    close = _closer_together(first, second)
    if close is not None and month_leads in (None, not close):
        return _Order(
            close, (f"{shown} {'day' if close else 'month'} first, so that they follow one another.",)
        )
    if month_leads is not None and close is None:
        lead = "month" if month_leads else "day"
        return _Order(
            not month_leads, (f"{shown} {lead} first, as units, places or am and pm in the file suggest.",)
        )
    if by_others is not None:
        lead = "day" if by_others else "month"
        return _Order(by_others, (f"{shown} {lead} first, as other files of the inbox show.",))
    mend = "State day_first = true or false in farm.toml, under columns, to be sure."
    why = NOTHING_DECIDES if close is None else "though the file gives signs of both orders"
    return _Order(True, (), (f"{shown} day first, {why}. {mend}",))


def _closer_together(first: pl.Series, second: pl.Series) -> bool | None:
    """Whether days lie close together with the day first (True) or the month first (False); None where neither does.

    A log of a few days holds one or two months and several days.
    """
    ways = first.n_unique(), second.n_unique()
    if ways[1] == 1 and ways[0] > 2:
        return True
    return False if ways[0] == 1 and ways[1] > 2 else None


def _apply_offsets(frame: pl.DataFrame) -> Timestamps:
    digits = pl.col("o").str.replace_all(r"[^0-9]", "")
    minutes = digits.str.slice(0, 2).cast(pl.Int64, strict=False).fill_null(0) * 60
    minutes += digits.str.slice(2, 2).cast(pl.Int64, strict=False).fill_null(0)
    sign = pl.when(pl.col("o").str.starts_with("-")).then(-1).otherwise(1)
    shifted = pl.col("wall") - pl.duration(minutes=minutes * sign)
    has_offset = pl.col("o").is_not_null()
    done = frame.select(
        utc=pl.when(has_offset).then(shifted).dt.replace_time_zone("UTC"),
        local=pl.when(~has_offset).then(pl.col("wall")),
    )
    return Timestamps(done["utc"].cast(pl.Datetime("us", "UTC")), done["local"].cast(pl.Datetime("us")))
