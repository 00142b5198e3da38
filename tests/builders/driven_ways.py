"""Ways over a field made point by point, for tests of passes, effective width and screening."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

START = datetime(2026, 7, 20, 10, tzinfo=UTC)
LATITUDE, LONGITUDE = 52.0, 13.0


def legs(*points: tuple[float, float, bool], speed_m_s: float = 2.0) -> np.ndarray:
    """Straight legs between (east, north, working until there): rows of east, north, working, heading."""
    rows = []
    for (x0, y0, _), (x1, y1, working) in zip(points[:-1], points[1:], strict=True):
        count = max(round(float(np.hypot(x1 - x0, y1 - y0)) / speed_m_s), 1)
        part = np.linspace(0.0, 1.0, count, endpoint=False)
        heading = np.degrees(np.arctan2(x1 - x0, y1 - y0)) % 360.0
        rows.append(
            np.column_stack(
                [
                    x0 + part * (x1 - x0),
                    y0 + part * (y1 - y0),
                    np.full(count, float(working)),
                    np.full(count, heading),
                ]
            )
        )
    return np.vstack(rows)


def to_and_fro(
    spacing_m: float, passes: int = 14, length_m: float = 300.0, speed_m_s: float = 2.0
) -> np.ndarray:
    """Passes side by side, each the other way; turns out of work, 15 m beyond the ends."""
    points: list[tuple[float, float, bool]] = [(0.0, 0.0, False)]
    for k in range(passes):
        near, far = (0.0, length_m) if k % 2 == 0 else (length_m, 0.0)
        beyond = far + (15.0 if far > near else -15.0)
        x = k * spacing_m
        points += [(x, far, True), (x, beyond, False), (x + spacing_m, beyond, False)]
        points += [(x + spacing_m, far, False)]
    return legs(*points, speed_m_s=speed_m_s)


def turned(way: np.ndarray, degrees: float) -> np.ndarray:
    """The same way turned clockwise about its start."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    x, y = way[:, 0], way[:, 1]
    return np.column_stack([x * c + y * s, y * c - x * s, way[:, 2], (way[:, 3] + degrees) % 360.0])


def readings_of(way: np.ndarray, width_m: float, noise_m: float = 0.0, seed: int = 1) -> pl.DataFrame:
    """A log of a reading a second along ``way``: speed from its positions, constant flow 12 s after the cut."""
    n = way.shape[0]
    rng = np.random.default_rng(seed)
    x, y = (way[:, k] + noise_m * rng.standard_normal(n) for k in (0, 1))
    working = way[:, 2]
    speed = np.hypot(np.gradient(way[:, 0]), np.gradient(way[:, 1]))
    entering = working * 0.6 * width_m * 2.0
    metre = 180.0 / (np.pi * 6_371_008.8)
    return pl.DataFrame(
        {
            "time": [START + timedelta(seconds=k) for k in range(n)],
            "machine": ["A"] * n,
            "field": ["Mill"] * n,
            "crop": ["wheat"] * n,
            "latitude": LATITUDE + y * metre,
            "longitude": LONGITUDE + x * metre / np.cos(np.radians(LATITUDE)),
            "speed_m_s": speed,
            "heading_deg": way[:, 3],
            "working": working.astype(int),
            "working_width_m": np.full(n, width_m),
            "grain_flow_kg_s": np.concatenate([np.zeros(12), entering])[:n],
        }
    )
