"""Ways in which one and the same log may be written: names, units, separators, clocks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import polars as pl

DECIMALS = {
    "latitude": 6,
    "longitude": 6,
    "altitude_m": 1,
    "speed_m_s": 2,
    "heading_deg": 0,
    "working_width_m": 1,
    "grain_flow_kg_s": 2,
    "grain_moisture_pct": 1,
    "separation_loss_signal": 1,
    "cleaning_loss_signal": 1,
    "returns_signal": 1,
    "broken_grain_pct": 2,
    "fuel_rate_l_h": 1,
    "engine_load_pct": 0,
    "pitch_deg": 1,
    "roll_deg": 1,
}
"""Digits that a log keeps of each channel, in the channel's own unit."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How one machine's terminal exports.

    headers : canonical column -> (header, factor to the header's unit, decimals). Columns not named keep
        their canonical name and unit. clock : ``utc`` (with Z), ``offset`` (local, with it) or ``local``.
    """

    name: str
    headers: Mapping[str, tuple[str, float, int]]
    separator: str = ","
    decimal_comma: bool = False
    clock: Literal["utc", "offset", "local"] = "utc"
    text_headers: Mapping[str, str] = field(default_factory=dict)


_TITLES = {"time": "Time", "machine": "Machine", "field": "Field", "crop": "Crop"}
_IN_BOTH: Mapping[str, tuple[str, float, int]] = {
    "heading_deg": ("Heading (deg)", 1.0, 0),
    "grain_moisture_pct": ("Moisture (%)", 1.0, 1),
    "separation_loss_signal": ("Separation loss", 1.0, 1),
    "cleaning_loss_signal": ("Cleaning loss", 1.0, 1),
    "returns_signal": ("Returns", 1.0, 1),
    "broken_grain_pct": ("Broken grain (%)", 1.0, 2),
    "engine_load_pct": ("Engine load (%)", 1.0, 0),
    "pitch_deg": ("Pitch (deg)", 1.0, 1),
    "roll_deg": ("Roll (deg)", 1.0, 1),
}

PLAIN = Dialect("plain", {})

LOCAL = Dialect(
    "local",
    {
        **_IN_BOTH,
        "latitude": ("Latitude", 1.0, 6),
        "longitude": ("Longitude", 1.0, 6),
        "altitude_m": ("Altitude (m)", 1.0, 1),
        "speed_m_s": ("Speed (km/h)", 3.6, 1),
        "working": ("Work state", 1.0, 0),
        "working_width_m": ("Working width (m)", 1.0, 1),
        "grain_flow_kg_s": ("Grain flow (t/h)", 3.6, 1),
        "fuel_rate_l_h": ("Fuel rate (l/h)", 1.0, 1),
    },
    separator=";",
    decimal_comma=True,
    clock="local",
    text_headers=_TITLES,
)

IMPERIAL = Dialect(
    "imperial",
    {
        **_IN_BOTH,
        "latitude": ("Lat", 1.0, 6),
        "longitude": ("Lon", 1.0, 6),
        "altitude_m": ("Elevation (ft)", 1.0 / 0.3048, 0),
        "speed_m_s": ("Ground speed (mph)", 3600.0 / 1609.344, 2),
        "working": ("Working", 1.0, 0),
        "working_width_m": ("Swath width (ft)", 1.0 / 0.3048, 1),
        "grain_flow_kg_s": ("Grain flow (lb/s)", 1.0 / 0.45359237, 2),
        "fuel_rate_l_h": ("Fuel rate (gal/h)", 1.0 / 3.785411784, 2),
    },
    separator="\t",
    clock="offset",
    text_headers=_TITLES,
)

DIALECTS = (PLAIN, LOCAL, IMPERIAL)
"""Machine by machine, repeated."""


def time_text(time: pl.Expr, clock: str, zone: str) -> pl.Expr:
    """The moments as a log writes them."""
    if clock == "utc":
        return time.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    there = time.dt.convert_time_zone(zone)
    return there.dt.strftime("%Y-%m-%dT%H:%M:%S%:z" if clock == "offset" else "%Y-%m-%d %H:%M:%S")


def write_dialect(readings: pl.DataFrame, dialect: Dialect, zone: str) -> str:
    """The readings as the text of one CSV file. Missing values are empty fields."""
    columns = [_written(name, dialect, zone) for name in readings.columns]
    return readings.select(columns).write_csv(
        separator=dialect.separator, decimal_comma=dialect.decimal_comma
    )


def _written(name: str, dialect: Dialect, zone: str) -> pl.Expr:
    as_it_is = (name, 1.0, DECIMALS.get(name, 0))
    header, factor, decimals = dialect.headers.get(name, as_it_is)
    if name == "time":
        return time_text(pl.col(name), dialect.clock, zone).alias(dialect.text_headers.get(name, name))
    if name in ("machine", "field", "crop"):
        return pl.col(name).alias(dialect.text_headers.get(name, name))
    value = (pl.col(name) * factor).round(decimals)
    return (value if decimals else value.cast(pl.Int64)).alias(header)
