"""How high the sun stands, which decides when dew falls and dries."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array

_DAY_S = 86_400.0


def sun_height_deg(time_s: Array, latitude_deg: float, longitude_deg: float) -> Array:
    """Height of the sun's centre above the horizon, degrees, at moments in s since 1970 (UTC), (n,).

    Declination and equation of time by the series of Spencer 1971 (Search 2:172), good to about a tenth of a degree
    and half a minute; without refraction, which lifts the sun by half a degree at the horizon.
    """
    day = time_s / _DAY_S
    year = 2 * np.pi * (day % 365.2425) / 365.2425
    declination = (
        0.006918 - 0.399912 * np.cos(year) + 0.070257 * np.sin(year) - 0.006758 * np.cos(2 * year)
        + 0.000907 * np.sin(2 * year) - 0.002697 * np.cos(3 * year) + 0.00148 * np.sin(3 * year)
    )  # fmt: skip
    of_time_min = 229.18 * (
        0.000075 + 0.001868 * np.cos(year) - 0.032077 * np.sin(year)
        - 0.014615 * np.cos(2 * year) - 0.040849 * np.sin(2 * year)
    )  # fmt: skip
    hour_angle = np.radians(360.0 * (day % 1.0 - 0.5) + longitude_deg + of_time_min / 4.0)
    latitude = np.radians(latitude_deg)
    height = np.sin(latitude) * np.sin(declination)
    height = height + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(height, -1.0, 1.0))))
