"""Which adjustments of a field job stand on their own, and which belong together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.change_times import (
    WRITTEN_BY_HAND_FROM_S,
    StatedLogs,
    with_time_windows,
)
from chaffinch.pipelines.estimate.data.settings_clock import (
    FOUND_IN_LOGS,
    SAME_CLOCK_S,
    TWINS_AGREE_S,
    offset_by_set_values,
)
from chaffinch.pipelines.work import seconds_of

# Changes with less steady work between them than this can't be separated. They are one joint change.
SHORTEST_BETWEEN_S = 120.0
# Seconds before and after a change in which crop may show neither setting. Before it, crop that entered is still on
# its way. A settings log may be some seconds off, and the actuator runs (common practice, no source).
WASHED_OUT_S = (6.0, 30.0)
# Where the machine logs the setting itself: the delays of sensors are known to a second or two; crop that entered
# as the setting moved is at the sensors after 6 to 8 s, and a sensor has shown most of it two time constants of about
# 2 s later (common practice, no source).
WASHED_OUT_BY_MACHINE_S = (2.0, 12.0)

# What is moved.
_MOVE = ("machine", "setting")


@dataclass(frozen=True)
class Change:
    """One moment (or short while) at which one or several settings were changed.

    first_s, last_s : clock seconds between which its settings moved, as far as their log tells.
    rows : rows of the adjustments table, in order of time.
    """

    first_s: float
    last_s: float
    rows: pl.DataFrame

    @classmethod
    def of(cls, rows: pl.DataFrame) -> Change:
        """The change that ``rows`` make, which have ``made_at``, in its order."""
        earliest, latest = time_windows(rows)
        return cls(float(earliest.min()), float(latest.max()), rows)

    @cached_property
    def logged_s(self) -> float:
        """Clock seconds of its first row."""
        return float(seconds_of(made_at(self.rows).head(1))[0])

    @cached_property
    def time_uncertain_s(self) -> float:
        """Length of the window in which it may have been made, s."""
        logged = seconds_of(made_at(self.rows))
        return self.last_s - self.first_s - float(logged.max() - logged.min())

    @cached_property
    def by_settings_log(self) -> bool:
        """Whether it is in a settings log only, whose clock could not be compared with the harvest log's.

        Where each row has a delay of its own, there is no offset of a clock to look for.
        """
        compared = "clock_off_s" in self.rows.columns and self.rows["clock_off_s"].is_not_null().any()
        by_clock = self.time_uncertain_s < WRITTEN_BY_HAND_FROM_S
        return by_clock and not compared and not _seen_by_machine(self.rows).any()

    @cached_property
    def washed_out_s(self) -> tuple[float, float]:
        """Seconds before ``first_s`` and after ``last_s`` that are left out of the comparison."""
        return WASHED_OUT_BY_MACHINE_S if _seen_by_machine(self.rows).all() else WASHED_OUT_S

    @cached_property
    def on_plan(self) -> bool:
        """Whether it is a switch of a trial that came when the plan has it, so that its logged time is right."""
        return "on_time" in self.rows.columns and bool(self.rows["on_time"].any())

    @property
    def is_joint(self) -> bool:
        """Whether its rows can't be separated: several settings, or one setting moved several times."""
        return self.rows.height > 1


def real_adjustments(adjustments: pl.DataFrame, stated: StatedLogs | None = None) -> pl.DataFrame:
    """Adjustments that changed something, sorted by time; rows whose values before and after agree are left out.

    A missing ``from_value`` is filled from the machine's previous row of the same setting. Where a settings
    log and the harvest log itself show the same change, the settings log's row stands, at the moment when the machine
    logged it (``_at_the_moment_logged``). A change that several deliveries hold (an export that grows from day to
    day) counts once, and so do rows that move one setting at one moment. Where both logs of a machine show the same
    set values at times that lie apart by the same amount, the settings log's clock is off by it.

    Added are ``made_at``, the time by the harvest log's clock; ``seen_by_machine``, whether the harvest log shows the
    change; ``clock_off_s`` with its range where clocks could be compared; ``earlier_s`` and ``later_s``, how far the
    time may be off (``with_time_windows``). stated : what farm.toml says of a settings log.
    """
    by_machine = pl.col("origin").is_in(FOUND_IN_LOGS).alias("seen_by_machine")
    ordered = (
        with_time_windows(adjustments, stated)
        .with_columns(by_machine)
        .sort("machine", "time", "setting", "row", maintain_order=True)
        .unique([*_MOVE, "time", "to_value", "seen_by_machine"], keep="first", maintain_order=True)
    )
    merged = _at_the_moment_logged(_on_one_clock(ordered)).drop("takes_s")
    together = pl.col("from_value").first().over(*_MOVE, "made_at")
    merged = merged.with_columns(together).unique([*_MOVE, "made_at"], keep="last", maintain_order=True)
    previous = pl.col("to_value").shift(1).over(*_MOVE)
    merged = merged.with_columns(pl.coalesce("from_value", previous).alias("from_value"))
    return merged.filter(
        pl.col("to_value").is_null()
        | pl.col("from_value").is_null()
        | (pl.col("from_value") != pl.col("to_value"))
    )


def made_at(adjustments: pl.DataFrame) -> pl.Series:
    """When each adjustment was made by the clock of the harvest log, as far as that is known."""
    return adjustments["made_at" if "made_at" in adjustments.columns else "time"]


def _on_one_clock(adjustments: pl.DataFrame) -> pl.DataFrame:
    """Rows with ``made_at``, in its order within a machine; with ``clock_off_s`` where clocks could be compared."""
    off = {
        machine: found
        for (machine,), rows in adjustments.group_by("machine")
        if (found := offset_by_set_values(rows)) is not None
    }
    if not off:
        return adjustments.with_columns(pl.col("time").alias("made_at"))
    written = ~pl.col("origin").is_in(FOUND_IN_LOGS)

    def of_machine(name: str) -> pl.Expr:
        of = {machine: getattr(one, name) for machine, one in off.items()}
        known = pl.col("machine").replace_strict(of, default=None, return_dtype=pl.Float64)
        return pl.when(written).then(known)

    columns = {"clock_off_s": "seconds", "clock_off_low_s": "low", "clock_off_high_s": "high"}
    with_clock = adjustments.with_columns(of_machine(name).alias(column) for column, name in columns.items())
    offset = pl.when(pl.col("clock_off_s").abs() > SAME_CLOCK_S).then(pl.col("clock_off_s")).otherwise(0.0)
    moved = pl.duration(milliseconds=(offset * 1000).round())
    return with_clock.with_columns((pl.col("time") - moved).alias("made_at")).sort(
        "machine", "made_at", "setting", "row", maintain_order=True
    )


def _at_the_moment_logged(rows: pl.DataFrame) -> pl.DataFrame:
    """``rows`` with those of settings logs at the moment when the machine's own log shows the same change; its own
    rows of them go.

    The same change moves the setting within 20 s, to any value, since a fan that adjusts itself runs at another speed
    than was set; or to the same value, within two minutes of when it may have been made.
    """
    ordered = rows.sort("made_at", maintain_order=True).with_row_index("_at")
    seen = ordered.filter("seen_by_machine").select(
        *_MOVE, "to_value", "made_at",
        pl.struct(pl.col("_at").alias("twin"), pl.col("made_at").alias("moment"), "from_value").alias("_same"),
    )  # fmt: skip
    written = ordered.filter(~pl.col("seen_by_machine"))
    if seen.is_empty() or written.is_empty():
        return rows
    nearest = partial(pl.DataFrame.join_asof, on="made_at", strategy="nearest", check_sortedness=False)
    written = nearest(written, seen, by=[*_MOVE, "to_value"])
    any_value, at_most = seen.drop("to_value"), f"{TWINS_AGREE_S:.0f}s"
    written = nearest(written, any_value, by=[*_MOVE], tolerance=at_most, suffix="_any_value")
    early = (pl.col("made_at") - pl.col("_same").struct.field("moment")).dt.total_milliseconds() / 1000
    inside = early.is_between(
        -pl.col("later_s") - SHORTEST_BETWEEN_S, pl.col("earlier_s") + SHORTEST_BETWEEN_S, closed="none"
    )
    same = pl.coalesce("_same_any_value", pl.when(inside).then("_same"))
    twin, moment, before = (same.struct.field(name) for name in ("twin", "moment", "from_value"))
    found = twin.is_not_null()
    written = written.with_columns(
        twin.alias("_twin"),
        found.alias("seen_by_machine"),
        pl.coalesce(moment, "made_at").alias("made_at"),
        pl.coalesce("from_value", before).alias("from_value"),
        pl.when(found).then(0.0).otherwise("earlier_s").alias("earlier_s"),
        pl.when(found).then("takes_s").otherwise("later_s").alias("later_s"),
    )
    alone = ordered.filter("seen_by_machine", ~pl.col("_at").is_in(written["_twin"].drop_nulls().implode()))
    return (
        pl.concat([alone, written.select(alone.columns)])
        .sort("machine", "made_at", "setting", "row", maintain_order=True)
        .drop("_at")
    )


def _seen_by_machine(rows: pl.DataFrame) -> pl.Series:
    """Whether the machine's own log shows each of ``rows``, so that its moment is known to the second."""
    return (
        rows["seen_by_machine"] if "seen_by_machine" in rows.columns else rows["origin"].is_in(FOUND_IN_LOGS)
    )


def group_changes(adjustments: pl.DataFrame, work_s: Array) -> list[Change]:
    """Changes in order of time; neighbours with under 120 s of steady work between them become one.

    adjustments : real adjustments of one machine. work_s : sorted clock seconds of usable readings, one a
    second of work. Service events count as changes: they may move the loss as a setting does.
    """
    if adjustments.height == 0:
        return []
    ordered = adjustments.with_columns(made_at(adjustments).alias("made_at")).sort(
        "made_at", "setting", "row", maintain_order=True
    )
    earliest, latest = time_windows(ordered)
    # Windows may overlap: a row of ten minutes' grid may have been made before one that is logged earlier.
    done_before = np.searchsorted(work_s, np.maximum.accumulate(latest)[:-1])
    done_after = np.searchsorted(work_s, np.minimum.accumulate(earliest[::-1])[::-1][1:])
    together = np.concatenate([[False], done_after - done_before < SHORTEST_BETWEEN_S])
    group = pl.Series(np.cumsum(~together))
    return [Change.of(ordered.filter(group == g)) for g in group.unique().sort()]


def left_out_s(changes: Sequence[Change]) -> tuple[Array, Array]:
    """Clock seconds at which the work that is left out around each of ``changes`` begins and ends, sorted, (n,)."""
    return (
        np.sort([c.first_s - c.washed_out_s[0] for c in changes]),
        np.sort([c.last_s + c.washed_out_s[1] for c in changes]),
    )


def time_windows(rows: pl.DataFrame) -> tuple[Array, Array]:
    """Earliest and latest clock second of each of ``rows``, (n,) each; the logged one where no window is known."""
    logged = seconds_of(made_at(rows))
    if "earlier_s" not in rows.columns:
        return logged, logged
    return logged - rows["earlier_s"].to_numpy(), logged + rows["later_s"].to_numpy()
