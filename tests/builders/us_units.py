"""Exact US units (international yard and pound, 1959) in which published examples are stated."""

from __future__ import annotations

from chaffinch.pipelines.agronomy.exact import ACRE_M2, FOOT_M, MILE_M
from chaffinch.pipelines.agronomy.loss import counted_loss_kg_ha
from chaffinch.pipelines.agronomy.yields import bushels_per_tonne

__all__ = ["ACRE_HA", "FOOT_M", "FT2_M2", "INCH_M", "MILE_M", "bu_ac", "kernel_mass_g", "kg_ha"]
INCH_M = 0.0254
FT2_M2 = FOOT_M**2
ACRE_HA = ACRE_M2 / 10_000


def bu_ac(kg_ha, bushel_lb):
    """Bushels per acre."""
    return kg_ha / 1000 * ACRE_HA * bushels_per_tonne(bushel_lb)


def kg_ha(bushels_per_acre, bushel_lb):
    """Kilograms per hectare."""
    return bushels_per_acre / bu_ac(1.0, bushel_lb)


def kernel_mass_g(bushel_lb, kernels_per_ft2):
    """Mass of 1000 kernels that a rule "so many kernels per square foot to one bushel per acre" implies."""
    return kg_ha(1, bushel_lb) / counted_loss_kg_ha(kernels_per_ft2, FT2_M2, 1.0)
