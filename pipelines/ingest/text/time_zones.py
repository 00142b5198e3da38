"""Wall-clock times to UTC by the zone of the clock, across the hours that are skipped or come twice."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

import polars as pl
from chaffinch.pipelines.errors import counted

# A step back of the wall clock by more than this, inside the repeated hour, is the clock change itself.
STEP_BACK = timedelta(minutes=30)
# Readings this close in wall time run on without a clock change between them.
RUNS_ON = timedelta(minutes=10)


def to_utc(local: pl.Series, zone: str) -> tuple[pl.Series, tuple[str, ...]]:
    """Wall-clock times of one clock, in the order of its file, as UTC, and notes on clock changes.

    In the hour that comes twice the order distinguishes the two: after a step back it is the second; without
    one, the side on which the times run on. In the hour that is skipped the clock had not been put forward:
    the offset before the change holds until the times step forward.
    """
    early = local.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    late = local.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
    utc = early.dt.convert_time_zone("UTC")
    notes: list[str] = []
    twice = (early != late).fill_null(False)
    if twice.any():
        second = _second_time(local, twice)
        utc = utc.zip_with(~second, late.dt.convert_time_zone("UTC"))
        notes.append(
            f"On {local.filter(twice)[0].date()} the clock of {zone} goes back: of "
            f"{counted(int(twice.sum()), 'row')} in the hour that comes twice, {int(second.sum())} belong to the "
            "second run, by their order in the file."
        )
    skipped = utc.is_null() & local.is_not_null()
    if skipped.any():
        utc, rows = _not_put_forward(local, utc, skipped, zone)
        day = local.filter(skipped)[0].date()
        notes.append(
            f"On {day} the clock of {zone} goes forward, yet the hour it skips holds "
            f"{counted(int(skipped.sum()), 'row')}: the logger had not been put forward, and "
            f"{counted(rows, 'row')} were read by the time before."
        )
    return utc.cast(pl.Datetime("us", "UTC")), tuple(notes)


def _second_time(local: pl.Series, twice: pl.Series) -> pl.Series:
    """Which rows of the repeated hour are its second run."""
    frame = (
        pl.DataFrame({"local": local, "twice": twice})
        .with_row_index("i")
        .filter(pl.col("local").is_not_null())
    )
    frame = frame.with_columns(block=(pl.col("twice") != pl.col("twice").shift(1)).fill_null(True).cum_sum())
    frame = frame.with_columns(before=pl.col("local").shift(1), after=pl.col("local").shift(-1))
    inside = pl.col("twice").shift(1).fill_null(False)
    back = inside & (pl.col("local") - pl.col("before") < -STEP_BACK)
    blocks = frame.with_columns(back=back).filter(pl.col("twice"))
    blocks = blocks.with_columns(
        back_so_far=pl.col("back").cast(pl.Int32).cum_sum().over("block"),
        ever_back=pl.col("back").any().over("block"),
        from_before=((pl.col("local") - pl.col("before")).first().over("block") < RUNS_ON),
        to_after=((pl.col("after") - pl.col("local")).last().over("block") < RUNS_ON),
    )
    stays_on = pl.col("to_after").fill_null(False) & ~pl.col("from_before").fill_null(False)
    second = pl.when("ever_back").then(pl.col("back_so_far") > 0).otherwise(stays_on)
    chosen = blocks.filter(second)["i"]
    return pl.arange(len(local), eager=True).is_in(chosen.to_list())


def _not_put_forward(
    local: pl.Series, utc: pl.Series, skipped: pl.Series, zone: str
) -> tuple[pl.Series, int]:
    """Read rows by the offset before the change, from the first skipped hour to the next step forward."""
    step = local.diff().fill_null(timedelta(0))
    total = 0
    start: int | None = skipped.arg_true()[0]
    while start is not None:
        # The offset that held before the hour in which this time does not exist.
        before = (local[start] - timedelta(hours=3)).replace(tzinfo=ZoneInfo(zone))
        offset = before.utcoffset() or timedelta(0)
        ahead = (step[start + 1 :] > timedelta(minutes=50)).arg_true()
        stop = start + 1 + ahead[0] if len(ahead) else len(local)
        stop = max(stop, start + 1)
        old = (local[start:stop] - offset).dt.replace_time_zone("UTC")
        utc = pl.concat([utc[:start], old.cast(utc.dtype), utc[stop:]])
        total += stop - start
        rest = (utc.is_null() & local.is_not_null()).arg_true()
        start = int(rest[0]) if len(rest) else None
    return utc, total
