"""Logs of one task that run at the same time: some terminals split the values of a machine over several.

They are joined reading by reading. Two machines that work next to each other under one task log the same
times as well; those are distinguished by where they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl
from chaffinch.pipelines.ingest.task_data.records.utc import LocalTimeLog

SHARED_MOMENTS = 0.9
# Two receivers, or two machines, are further apart than this; one receiver logged twice is not.
SAME_PLACE_DEG = 2e-5
KEPT_INTERVALS = 3
OF_ONE_RECORD = ("row", "latitude", "longitude", "altitude_m", "other")
MEASURES_CROP = ("grain_flow_kg_s", "grain_moisture_pct")


def joined(logs: Sequence[LocalTimeLog], notes: list[str]) -> list[LocalTimeLog]:
    """``logs`` with those that run side by side joined into one, the others as they are."""
    result: list[LocalTimeLog] = []
    spans: list[tuple[int, int]] = []
    for log in logs:
        begin, end = log.span_us
        for index, before in enumerate(result):
            if spans[index][0] > end or spans[index][1] < begin:
                continue
            if not _belong_together(_distinct_moments(before.frame), _distinct_moments(log.frame)):
                continue
            notes.append(
                f"Rows {log.frame['row'][0]} to {log.frame['row'][-1]} were logged at the same time as rows "
                f"{before.frame['row'][0]} to {before.frame['row'][-1]} and are joined to them by time."
            )
            result[index] = _one(before, log)
            spans[index] = result[index].span_us
            break
        else:
            result.append(log)
            spans.append((begin, end))
    return result


def _distinct_moments(log: pl.DataFrame) -> pl.DataFrame:
    """``log`` with readings of one moment a microsecond after one another, so that each has its own."""
    if log["local_us"].is_unique().all():
        return log
    nth = pl.col("local_us").cum_count().over("local_us").cast(pl.Int64) - 1
    return log.with_columns(pl.col("local_us") + nth)


def _belong_together(first: pl.DataFrame, second: pl.DataFrame) -> bool:
    """Whether two logs are of one machine at the same moments, nearly all of the shorter's."""
    both = first.select("local_us", "latitude", "longitude").join(
        second.select("local_us", "latitude", "longitude"), on="local_us", suffix=" second"
    )
    if len(both) < SHARED_MOMENTS * min(len(first), len(second)):
        return False
    apart_deg = both.select(
        pl.max_horizontal(
            (pl.col(name) - pl.col(f"{name} second")).abs() for name in ("latitude", "longitude")
        ).median()
    ).item()
    if apart_deg is not None:
        return bool(apart_deg <= SAME_PLACE_DEG)
    two_flows = _known(first, "grain_flow_kg_s") and _known(second, "grain_flow_kg_s")
    return bool(first["machine"][0] == second["machine"][0]) and not two_flows


def _known(frame: pl.DataFrame, name: str) -> bool:
    return name in frame.columns and frame[name].null_count() < len(frame)


def _one(first: LocalTimeLog, second: LocalTimeLog) -> LocalTimeLog:
    """Both as one log, named as the one that measures the crop."""
    leading, other = first, second
    if not any(_known(first.frame, name) for name in MEASURES_CROP):
        leading, other = second, first
    satellites = leading.satellites
    if satellites is None or isinstance(satellites, str):
        satellites = other.satellites or satellites
    return replace(
        leading,
        frame=_joined(_distinct_moments(leading.frame), _distinct_moments(other.frame)),
        stems=(*first.stems, *second.stems),
        satellites=satellites,
    )


def _joined(first: pl.DataFrame, second: pl.DataFrame) -> pl.DataFrame:
    """Every moment of either; where both hold a channel the first one's value is used."""
    moments = pl.concat([first.select("local_us"), second.select("local_us")]).unique().sort("local_us")
    whole = _at(moments, first).hstack(
        _at(moments, second).drop("local_us").rename(lambda name: f"{name} second")
    )
    merged = [
        pl.coalesce(name, f"{name} second") if name in first.columns else pl.col(f"{name} second").alias(name)
        for name in second.columns
        if name not in ("other", "local_us", "machine")
    ]
    texts = (
        pl.when(pl.col("other").is_not_null() & pl.col("other second").is_not_null())
        .then(pl.col("other").str.head(-1) + ", " + pl.col("other second").str.slice(1))
        .otherwise(pl.coalesce("other", "other second"))
    )
    whole = whole.with_columns(*merged, texts.alias("other"), pl.lit(first["machine"][0]).alias("machine"))
    return whole.drop([f"{name} second" for name in second.columns if name != "local_us"])


def _at(moments: pl.DataFrame, log: pl.DataFrame) -> pl.DataFrame:
    """``log`` at ``moments``: its channels kept on for three of its own intervals, for one of the two logs may
    be the slower; what belongs to one record only there.
    """
    log = log.sort("local_us", maintain_order=True)
    interval_us = int(log["local_us"].diff().drop_nulls().median() or 0)  # type: ignore[arg-type]
    kept = moments.join_asof(log.drop(OF_ONE_RECORD), on="local_us", tolerance=KEPT_INTERVALS * interval_us)
    return kept.join(
        log.select("local_us", *OF_ONE_RECORD), on="local_us", how="left", maintain_order="left"
    ).select(log.columns)
