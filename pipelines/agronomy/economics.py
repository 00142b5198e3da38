"""What lost grain and time are worth, and what a change of loss saves. Any currency.

Money comes from stated prices alone: where a price is None the answer is None, never an assumed price.

Harvesting a hectare costs machine time and lost grain. With machine cost c [per hour], price p [per tonne], yield Y
[t/ha], loss share L0 at feed rate F0 [t/h] and slope s = d ln(loss share) / d ln(feed rate):

    cost(F) = c Y / F + p Y L0 e^e (F / F0)^s         per hectare, e the log effect of a change of settings

It is lowest at F* = (c F0^s / (p L0 e^e s))^(1 / (s + 1)); e multiplies F* by e^(-e / (s + 1)) and the least cost
by e^(e / (s + 1)). A change is worth the fall in the least cost: with less loss it pays to drive faster. Own
derivation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from chaffinch.pipelines.agronomy.exact import ENDS_95, REACH_95, Numbers, quotient
from chaffinch.pipelines.array_types import Array

# Further than this factor from the feed rate driven, the loss curve is a guess.
FURTHEST_FEED = 2.0
# Loss rises with feed rate: draws of a slope below this are taken to be this (common practice, no source).
LEAST_SLOPE = 0.2
DRAWS = 4000
SEED = 1906


def value_of_loss_per_ha(loss_kg_ha: Numbers, price_per_t: Numbers) -> Numbers:
    """Money per hectare: loss [kg/ha] x price [per tonne] / 1000."""
    return (np.asarray(loss_kg_ha, dtype=np.float64) * price_per_t / 1000.0)[()]


def value_of_throughput_per_ha(
    area_ha_h: Numbers, capacity_ratio: Numbers, machine_per_h: Numbers
) -> Numbers:
    """Machine time saved, money per hectare, when work at ``area_ha_h`` goes ``capacity_ratio`` times as fast.

    Hours per hectare fall from 1 / area to 1 / (area x ratio); ``machine_per_h`` is what an hour costs. Below
    zero where work gets slower. NaN where the area an hour or the ratio is not above zero.
    """
    hours = quotient(1.0, area_ha_h)
    return (np.asarray(machine_per_h, dtype=np.float64) * hours * (1.0 - quotient(1.0, capacity_ratio)))[()]


@dataclass(frozen=True, slots=True)
class LossAtWork:
    """Where a machine works on its loss curve, before a change.

    feed_t_h : F0. yield_t_ha : Y, of grain that enters. loss_kg_ha : machine loss at F0, and the standard error of
    its log. slope : s, and its standard error. None: not known.
    """

    feed_t_h: float
    yield_t_ha: float
    loss_kg_ha: float | None
    loss_error: float = 0.0
    slope: float | None = None
    slope_error: float = 0.0

    @property
    def loss_share(self) -> float:
        """L0, of the grain that enters."""
        assert self.loss_kg_ha is not None
        return self.loss_kg_ha / (1000.0 * self.yield_t_ha)


def cost_per_ha(
    feed_t_h: Numbers, at: LossAtWork, price_per_t: float, machine_per_h: float, log_effect: Numbers = 0.0
) -> Numbers:
    """Machine time and lost grain of a hectare at a feed rate, money; the formula above."""
    assert at.slope is not None
    share = at.loss_share * np.exp(log_effect) * (np.asarray(feed_t_h) / at.feed_t_h) ** at.slope
    return (machine_per_h * at.yield_t_ha / np.asarray(feed_t_h) + price_per_t * at.yield_t_ha * share)[()]


def cheapest_feed_t_h(
    at: LossAtWork, price_per_t: float, machine_per_h: float, log_effect: Numbers = 0.0
) -> Numbers:
    """F*, kept within a factor ``FURTHEST_FEED`` of F0: the cost has one minimum, so an end reached is the best."""
    assert at.slope is not None
    share = at.loss_share * np.exp(log_effect)
    free = (machine_per_h / (price_per_t * share * at.slope)) ** (1 / (at.slope + 1))
    best = free * np.asarray(at.feed_t_h) ** (at.slope / (at.slope + 1))
    return np.clip(best, at.feed_t_h / FURTHEST_FEED, at.feed_t_h * FURTHEST_FEED)[()]


@dataclass(frozen=True, slots=True)
class Saving:
    """Money per hectare that a change saves (below zero: costs), with its 95 % range and the chance that it pays.

    by : "both", loss and machine time at the cheapest feed rate; "grain", less loss at the same feed rate; "time",
    more t/h at the same loss.
    """

    per_ha: float
    low: float
    high: float
    chance: float
    by: str


def counted_gain(at: LossAtWork, price_per_t: float | None, machine_per_h: float | None) -> str | None:
    """Which gain ``saving`` counts: its ``by``; None where too little is known for any."""
    weighed = price_per_t is not None and at.loss_kg_ha is not None
    timed = machine_per_h is not None and at.slope is not None
    return "both" if weighed and timed else "grain" if weighed else "time" if timed else None


def saving(
    log_effect: tuple[float, float, float],
    at: LossAtWork,
    price_per_t: float | None,
    machine_per_h: float | None,
) -> Saving | None:
    """What an effect on machine loss saves; None where no price is stated.

    log_effect : natural log of the loss after over before, with its 95 % range. Effect, loss level (calibration) and
    slope are drawn together, as independent normal errors; the effect is shared by many logs, so that it hardly
    depends on the slope of one. With both prices the least costs before and after are compared; with the price of
    grain alone the loss at the same feed rate, with the cost of an hour alone machine time at the same loss.
    """
    by = counted_gain(at, price_per_t, machine_per_h)
    if by is None:
        return None
    z = _errors()
    middle, low, high = log_effect
    effect = middle + (high - low) / (2 * REACH_95) * z[0]
    loss = None if at.loss_kg_ha is None else at.loss_kg_ha * np.exp(at.loss_error * z[1])
    slope = None if at.slope is None else np.maximum(at.slope + at.slope_error * z[2], LEAST_SLOPE)
    if by == "grain":
        assert price_per_t is not None and loss is not None
        return _of_draws(value_of_loss_per_ha(-loss * np.expm1(effect), price_per_t), by)
    assert machine_per_h is not None and slope is not None
    if by == "time":
        ratio = np.clip(np.exp(-effect / slope), 1 / FURTHEST_FEED, FURTHEST_FEED)
        area_ha_h = at.feed_t_h / at.yield_t_ha
        return _of_draws(value_of_throughput_per_ha(area_ha_h, ratio, machine_per_h), by)
    assert price_per_t is not None
    drawn = replace(at, loss_kg_ha=loss, slope=slope)
    before, after = (_least_cost(drawn, price_per_t, machine_per_h, e) for e in (0.0, effect))
    return _of_draws(before - after, by)


@cache
def _errors() -> Array:
    """Draws of three standard normal errors, (3, DRAWS), the same for every change."""
    z = np.random.default_rng(SEED).standard_normal((3, DRAWS))
    # So that the draws have exactly the mean and spread asked for.
    return np.asarray((z - z.mean(axis=1, keepdims=True)) / z.std(axis=1, keepdims=True))


def _least_cost(at: LossAtWork, price_per_t: float, machine_per_h: float, log_effect: Numbers) -> Numbers:
    best = cheapest_feed_t_h(at, price_per_t, machine_per_h, log_effect)
    return cost_per_ha(best, at, price_per_t, machine_per_h, log_effect)


def _of_draws(saved: Numbers, by: str) -> Saving:
    drawn: Array = np.asarray(saved, dtype=np.float64)
    low, high = np.quantile(drawn, ENDS_95)
    return Saving(float(np.median(drawn)), float(low), float(high), float((drawn > 0).mean()), by)
