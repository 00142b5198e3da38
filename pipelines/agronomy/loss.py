"""Grain on the ground: from kernels counted or grams weighed to kg/ha, and to a share of the crop.

What leaves the rear falls in a strip narrower than the cut, so it lies denser than it was lost: the
concentration factor, cut width over the width on which the residue falls, takes that out again. It applies to
what left the rear only; pre-harvest and header loss lie where they fell.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.agronomy.exact import FOOT_M, FT2_PER_ACRE, POUND_KG, Numbers, quotient


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


def ear_loss_kg_ha(ears: Numbers, area_m2: Numbers, grain_per_ear_kg: Numbers = 0.56 * POUND_KG) -> Numbers:
    """Grain [kg/ha] in whole ``ears`` of corn found on ``area_m2``: 10,000 x ears x grain of one / area.

    The default is the 0.56 lb (254 g) of grain which the rule "one ear of 3/4 lb on 1/100 acre is 1 bu/ac"
    implies (Ohio State Univ., 2019; Univ. of Missouri G1290); weigh your own. NaN where area is not above 0.
    """
    return quotient(10_000.0 * np.asarray(ears, dtype=np.float64) * grain_per_ear_kg, area_m2)


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


def header_loss_kg_ha(header_zone_kg_ha: Numbers, pre_harvest_kg_ha: Numbers) -> Numbers:
    """Loss at the header [kg/ha]: found in the header zone less what lay there before the machine came.

    Source: Univ. of Georgia (Sumner & Williams), *Measuring Field Losses From Grain Combines*.
    """
    return (np.asarray(header_zone_kg_ha, dtype=np.float64) - pre_harvest_kg_ha)[()]


def frame_length_m(area_m2: Numbers, width_m: Numbers) -> Numbers:
    """Length [m] of a frame of ``area_m2`` that is as wide as the header, or as one row."""
    return quotient(area_m2, width_m)


def share_of_harvested_pct(loss_kg_ha: Numbers, harvested_kg_ha: Numbers) -> Numbers:
    """Loss in % of the grain that came into the tank. Not the program's loss share: see the next function."""
    return quotient(100.0 * np.asarray(loss_kg_ha), harvested_kg_ha)


def share_of_harvested_and_lost_pct(loss_kg_ha: Numbers, harvested_kg_ha: Numbers) -> Numbers:
    """Loss share [%]: lost / (kept + lost). The denominator used everywhere in this program.

    Source of the denominator: *How To Estimate Grain Harvest Losses*, Minnesota and North Dakota, June 2003.
    """
    return quotient(100.0 * np.asarray(loss_kg_ha), np.asarray(harvested_kg_ha) + loss_kg_ha)


def thousand_kernel_mass_g(bushel_mass_lb: Numbers, kernels_per_ft2: Numbers) -> Numbers:
    """Mass of 1000 kernels [g] which a rule "so many kernels per square foot to one bushel per acre" means.

    Exact: bushel [lb] x 453.59237 g / 43,560 ft2, shared out over the kernels.
    """
    g_per_ft2 = np.asarray(bushel_mass_lb) * POUND_KG * 1000.0 / FT2_PER_ACRE
    return quotient(1000.0 * g_per_ft2, kernels_per_ft2)


def kernels_per_m2_of_one_bushel_per_acre(bushel_mass_lb: Numbers, mass_of_1000_g: Numbers) -> Numbers:
    """Kernels on a square metre that make a loss of one bushel per acre. Exact; the inverse of the above."""
    per_ft2 = thousand_kernel_mass_g(bushel_mass_lb, mass_of_1000_g)
    return per_ft2 / FOOT_M**2


def kernels_per_m2_of_100_kg_ha(mass_of_1000_g: Numbers) -> Numbers:
    """Kernels on a square metre that make a loss of 100 kg/ha: 10,000 over the mass of 1000 kernels [g]."""
    return quotient(10_000.0, mass_of_1000_g)
