"""Delays of every machine-field as the effects were estimated with, kept as text beside the effects."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date

from chaffinch.pipelines.work.delays.lag import SENSORS, Delays, Lag, both_losses

FieldKey = tuple[str, str | None, date | None]
"""Machine, field, and day of readings without a field."""

DIGITS = 3


def as_text(known: Mapping[FieldKey, Sequence[Delays]]) -> str:
    """``known``, the delays of each harvest of each machine-field, as JSON; to the millisecond."""
    rows = [
        [machine, field, day.isoformat() if day else None, [_numbers(delays) for delays in harvests]]
        for (machine, field, day), harvests in known.items()
    ]
    return json.dumps(rows, ensure_ascii=False, separators=(",", ":"))


def from_text(text: str | None) -> dict[FieldKey, list[Delays]]:
    """The reverse of ``as_text``; nothing where there is no text, or none that this program wrote."""
    try:
        return {
            (machine, field, date.fromisoformat(day) if day else None): [_delays(one) for one in harvests]
            for machine, field, day, harvests in json.loads(text or "[]")
        }
    except (ValueError, TypeError, KeyError):
        return {}


def _numbers(delays: Delays) -> list[list[float | str | None]]:
    lags = (delays.of(sensor) for sensor in SENSORS)
    return [
        [
            round(lag.seconds, DIGITS),
            round(lag.error_s, DIGITS),
            float(lag.estimated),
            None if lag.smear_s is None else round(lag.smear_s, DIGITS),
            round(lag.shortening, DIGITS),
            " ".join(lag.ways),
        ]
        for lag in lags
    ]


def _delays(numbers: Sequence[Sequence[float | str | None]]) -> Delays:
    lags = {
        sensor: Lag(
            float(seconds or 0.0),
            float(error or 0.0),
            bool(estimated),
            None if smear is None else float(smear),
            float(shortening or 0.0),
            tuple(str(ways or "").split()),
        )
        for sensor, (seconds, error, estimated, smear, shortening, ways) in zip(SENSORS, numbers, strict=True)
    }
    return Delays(loss=both_losses(lags["separation"], lags["cleaning"]), **lags)
