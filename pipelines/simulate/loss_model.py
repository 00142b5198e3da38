"""Loss share on feed rate and conditions, and what a change of settings truly does to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.scenario import Curve

LARGEST_SHARE = 0.45
"""Ceiling of one loss share, so that more than the crop is never lost."""


@dataclass(frozen=True, slots=True)
class LossCurve:
    """ln(share) of one loss place, before settings and noise.

    With r = feed / rated feed: power  s ln r; exponential  s (r - 1); quadratic  ln(q + (1 - q) r**2) with
    q = 1 - s / 2. All have slope s = d ln(share) / d ln(feed) at r = 1. Moisture acts through the straw:
    ``moisture_per_point`` for each point above ``rated_moisture_pct``; side slope as roll squared.
    """

    kind: Curve
    base_share: float
    rated_feed_kg_s: float
    steepness: float
    rated_moisture_pct: float
    moisture_per_point: float
    roll_per_deg2: float

    def log_share(self, feed_kg_s: Array, moisture_pct: Array, roll_deg: Array) -> Array:
        """ln(lost / entered) at the grain feed rate (at usual straw per grain), wet-basis moisture, roll."""
        r = np.maximum(feed_kg_s / self.rated_feed_kg_s, 0.02)
        if self.kind == "power":
            rise = self.steepness * np.log(r)
        elif self.kind == "exponential":
            rise = self.steepness * (r - 1.0)
        else:
            q = 1.0 - self.steepness / 2.0
            rise = np.log(np.maximum(q + (1.0 - q) * r**2, 0.05))
        damp = self.moisture_per_point * (moisture_pct - self.rated_moisture_pct)
        return np.log(self.base_share) + rise + damp + self.roll_per_deg2 * np.minimum(roll_deg**2, 100.0)


@dataclass(frozen=True, slots=True)
class Conditions:
    """Mean conditions of a field's work: grain feed rate (with straw loading), moisture, RMS roll."""

    feed_kg_s: float
    moisture_pct: float
    roll_deg: float


def loss_shares(
    curves: Mapping[str, LossCurve], at: Conditions, effect: Mapping[str, Array], feed: Array
) -> Array:
    """Machine loss share, separation + cleaning, at the conditions but for the given ``feed`` (kg/s)."""
    moisture, roll = np.full_like(feed, at.moisture_pct), np.full_like(feed, at.roll_deg)
    total = np.zeros_like(feed)
    for loss, curve in curves.items():
        total += np.exp(curve.log_share(feed, moisture, roll) + effect[loss])
    return total


def machine_log_ratio(
    curves: Mapping[str, LossCurve], at: Conditions, before: Mapping[str, Array], after: Mapping[str, Array]
) -> Array:
    """ln(machine loss share after / before) at the field's mean conditions; one value per adjustment."""
    feed = np.full_like(before["separation"], at.feed_kg_s)
    return np.log(loss_shares(curves, at, after, feed) / loss_shares(curves, at, before, feed))


def capacity_log_ratio(
    curves: Mapping[str, LossCurve], at: Conditions, before: Mapping[str, Array], after: Mapping[str, Array]
) -> Array:
    """ln(grain t/h after / before) at one machine loss share: that of the mean conditions before the change.

    Bisection on ln(feed) within a factor of 20; the share rises with feed, so the root is single. Not a
    number where the share can't be reached in that span.
    """
    feed = np.full_like(before["separation"], at.feed_kg_s)
    wanted = loss_shares(curves, at, before, feed)
    low, high = np.full_like(feed, -3.0), np.full_like(feed, 3.0)
    reached = loss_shares(curves, at, after, feed * np.exp(high)) >= wanted
    reached &= loss_shares(curves, at, after, feed * np.exp(low)) <= wanted
    for _ in range(50):
        middle = (low + high) / 2.0
        too_much = loss_shares(curves, at, after, feed * np.exp(middle)) > wanted
        high = np.where(too_much, middle, high)
        low = np.where(too_much, low, middle)
    solved = np.where(reached, (low + high) / 2.0, np.nan)
    unchanged = np.all([after[loss] == before[loss] for loss in curves], axis=0)
    return np.where(unchanged, 0.0, solved)
