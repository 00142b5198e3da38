"""The ground a season is driven on: correlated random surfaces and the place of a field on the globe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array

METRES_PER_DEGREE = 111_320.0
"""Length of one degree of the equator; good to 0.3 % for the small shifts made here (from memory)."""


def random_surface(rng: np.random.Generator, shape: tuple[int, int], cell_m: float, length_m: float) -> Array:
    """A Gaussian surface with mean 0, standard deviation 1 and correlation exp(-distance / ``length_m``).

    Circulant embedding (Dietrich and Newsam 1997, SIAM J. Sci. Comput. 18:1088): white noise filtered by the
    square root of the transformed covariance on a torus padded by twice the correlation length. Negative
    eigenvalues of the embedding are set to zero. ``shape`` is (cells across, cells along).
    """
    padded = tuple(int(n + np.ceil(2 * length_m / cell_m)) for n in shape)
    lags = [np.minimum(np.arange(n), n - np.arange(n)) * cell_m for n in padded]
    covariance = np.exp(-np.hypot(lags[0][:, None], lags[1][None, :]) / length_m)
    spectrum = np.maximum(np.fft.rfft2(covariance).real, 0.0)
    white = np.fft.rfft2(rng.standard_normal(padded))
    return np.fft.irfft2(white * np.sqrt(spectrum), s=padded)[: shape[0], : shape[1]]


def bilinear(surface: Array, cell_m: float, x_m: Array, y_m: Array) -> Array:
    """``surface`` (nodes ``cell_m`` apart, the first at 0, 0) at the points; clamped at the edges."""
    u = np.clip(x_m / cell_m, 0, surface.shape[0] - 1.001)
    v = np.clip(y_m / cell_m, 0, surface.shape[1] - 1.001)
    i, j = u.astype(np.int64), v.astype(np.int64)
    a, b = u - i, v - j
    near = (1 - b) * surface[i, j] + b * surface[i, j + 1]
    far = (1 - b) * surface[i + 1, j] + b * surface[i + 1, j + 1]
    return (1 - a) * near + a * far


@dataclass(frozen=True, slots=True)
class Place:
    """Where a field lies: its local origin, and the bearing of its local y axis, clockwise from north."""

    latitude: float
    longitude: float
    bearing_deg: float
    altitude_m: float

    def to_globe(self, x_m: Array, y_m: Array) -> tuple[Array, Array]:
        """Latitude and longitude of local points, deg; flat-earth, fine within a few kilometres."""
        bearing = np.deg2rad(self.bearing_deg)
        east = x_m * np.cos(bearing) + y_m * np.sin(bearing)
        north = -x_m * np.sin(bearing) + y_m * np.cos(bearing)
        latitude = self.latitude + north / METRES_PER_DEGREE
        longitude = self.longitude + east / (METRES_PER_DEGREE * np.cos(np.deg2rad(self.latitude)))
        return latitude, longitude


def rectangle(
    place: Place, width_m: float, length_m: float, headland_m: float
) -> tuple[tuple[float, float], ...]:
    """Closed ring of (longitude, latitude): the worked rectangle with a headland at both ends."""
    x = np.array([0.0, width_m, width_m, 0.0, 0.0])
    y = np.array([-headland_m, -headland_m, length_m + headland_m, length_m + headland_m, -headland_m])
    latitude, longitude = place.to_globe(x, y)
    return tuple((round(float(a), 7), round(float(b), 7)) for a, b in zip(longitude, latitude, strict=True))
