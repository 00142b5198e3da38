"""Estimates that differ by more than their errors: their mean, and how far the true values lie apart."""

from __future__ import annotations

from chaffinch.pipelines.array_types import Array


def random_effects(estimates: Array, variances: Array) -> tuple[float, float]:
    """Mean, and variance between the true values, of ``estimates`` (k,) with ``variances`` (k,) of their errors.

    DerSimonian and Laird 1986, Controlled Clinical Trials 7:177-188. NaN and 0 without estimates.
    """
    if estimates.size == 0:
        return float("nan"), 0.0
    weight = 1 / variances
    mean = weight @ estimates / weight.sum()
    q = weight @ (estimates - mean) ** 2
    spare = weight.sum() - (weight**2).sum() / weight.sum()
    between = max(0.0, (q - (estimates.size - 1)) / spare) if spare > 0 else 0.0
    again = 1 / (variances + between)
    return float(again @ estimates / again.sum()), float(between)
