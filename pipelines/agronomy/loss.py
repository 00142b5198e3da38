"""Grain on the ground: from kernels counted or grams weighed to kg/ha, and to a share of the crop.

What leaves the rear falls in a strip narrower than the cut, so it lies denser than it was lost: the
concentration factor, cut width over the width on which the residue falls, takes that out again. It applies to
what left the rear only; pre-harvest and header loss lie where they fell.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.agronomy.exact import Numbers, quotient


def counted_loss_kg_ha(kernels: Numbers, area_m2: Numbers, thousand_kernel_mass_g: Numbers) -> Numbers:
    """Grain on the ground [kg/ha] from ``kernels`` counted on ``area_m2`` in all (frame area x frames).

    1 g/m2 = 10 kg/ha, so kernels x mass of 1000 / 100 / area. Exact; NaN where the area is not above zero.
    """
    return quotient(kernels * np.asarray(thousand_kernel_mass_g) / 100.0, area_m2)


def counted_loss_error_kg_ha(kernels: Numbers, area_m2: Numbers, thousand_kernel_mass_g: Numbers) -> Numbers:
    """Standard error [kg/ha] of ``counted_loss_kg_ha`` if kernels fall independently (Poisson).

    The variance of a count is the count; an empty frame is given that of one kernel, since a count of nothing
    does not mean certainly nothing. Kernels in clumps make the true error larger: this is its least.
    """
    return counted_loss_kg_ha(np.sqrt(np.maximum(kernels, 1.0)), area_m2, thousand_kernel_mass_g)


def weighed_loss_kg_ha(mass_g: Numbers, area_m2: Numbers) -> Numbers:
    """Grain on the ground [kg/ha] from ``mass_g`` of clean grain found on ``area_m2``. Exact."""
    return quotient(10.0 * np.asarray(mass_g), area_m2)


def concentration_factor(cut_width_m: Numbers, discharge_width_m: Numbers) -> Numbers:
    """How much denser residue lies than it was lost: cut width over the width on which it falls.

    Source: Canola Council of Canada, Canola Watch, 23 Aug 2017; *How To Estimate Grain Harvest Losses*,
    Minnesota and North Dakota, June 2003. 1 where residue is spread over the whole cut.
    """
    return quotient(cut_width_m, discharge_width_m)


def machine_loss_kg_ha(behind_kg_ha: Numbers, header_zone_kg_ha: Numbers, factor: Numbers) -> Numbers:
    """Loss of the machine itself [kg/ha of the cut]: (found behind - found in the header zone) / factor.

    ``header_zone_kg_ha`` is all that lies where the header passed but the rear did not: pre-harvest and
    header loss together. May come out below zero where both counts are small; that is noise and is left so.
    Source: *How To Estimate Grain Harvest Losses*, 2003; NDSU sunflower handbook EB-25.
    """
    return quotient(np.asarray(behind_kg_ha) - header_zone_kg_ha, factor)


def share_of_harvested_and_lost_pct(loss_kg_ha: Numbers, harvested_kg_ha: Numbers) -> Numbers:
    """Loss share [%]: lost / (kept + lost). The denominator used everywhere in this program.

    Source of the denominator: *How To Estimate Grain Harvest Losses*, Minnesota and North Dakota, June 2003.
    """
    return quotient(100.0 * np.asarray(loss_kg_ha), np.asarray(harvested_kg_ha) + loss_kg_ha)
