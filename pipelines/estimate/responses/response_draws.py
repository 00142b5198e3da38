"""Draws of how outcomes respond to settings: the model of ``hierarchy`` with bends and interactions.

For one change of a numeric setting from x0 to x1, with z = (x - middle of the range tried) / step:

    E b = u1 (z1 - z0) + u2 BEND (z1^2 - z0^2) + u3 MOISTURE (z1 - z0) (m - m_crop) + u4 FEED (z1 - z0) ln(q / q_crop)

m, q : mean grain moisture [%] and feed rate [t/h] of the work around the change; m_crop, q_crop : their means over
the crop's changes, so that u1 and u2 apply to usual conditions. u = theta + crop + year + machine + field with the
terms and priors of ``hierarchy``. Nothing tests whether a curve bends: u2 is always there, and its prior draws it
towards a straight line as far as the data do not say otherwise.

The priors are weak and of common practice, no source: relative to the size of settings' effects in the lake, the
effect of a step changes by half of that size for each step along the setting (2 BEND), by a tenth for each point of
moisture, by half where feed rate changes by a factor of e.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from zlib import crc32

import numpy as np
from chaffinch.pipelines.agronomy.exact import Numbers
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.hierarchy import Part
from chaffinch.pipelines.estimate.results.nested_terms import AtSpreads, FieldEstimates, NestedTerms, Spreads
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws, draw_spreads
from numpy.typing import NDArray

BEND, MOISTURE, FEED = 0.25, 0.1, 0.5
# Draws of the spreads, and of the rest at each of them.
POINTS, EACH = 64, 32
SEED = 20261129
# Multiples of it fill the range from 0 to 1 evenly.
GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True, slots=True)
class Draws:
    """Draws of u at usual conditions. machines : (d, m, c, s); seasons : (d, c, s), the mean over machines to come.

    names : of machines and crops, in the order of the axes. spreads : behind them, to be kept.
    """

    machine_names: list[str]
    crop_names: list[str | None]
    machines: Array
    seasons: Array
    spreads: KeptDraws | None = None


def bent(before: Numbers, after: Numbers) -> Numbers:
    """Column of u2 for changes between two z."""
    return BEND * (after**2 - before**2)


def draw_responses(
    fields: Sequence[FieldEstimates],
    groups: Sequence[int],
    season_freedom: float = float("inf"),
    columns: Sequence[str] = (),
    kept: KeptDraws | None = None,
    only: Collection[str] | None = None,
) -> Draws:
    """``POINTS`` x ``EACH`` draws from the posterior of u behind ``fields``.

    groups : of ``NestedTerms``; a setting and what bends it have one size. The noise of a field is scaled by nu /
    chi^2_nu of its own freedom nu at each draw of the spreads, so that what it says alone has the tails of its t.
    columns, kept, only : as of ``fit_hierarchy``. Chance is the same whatever fields are added: curves move by what
    these say.
    """
    model = NestedTerms(fields, groups)
    spreads, draws = _points(model, season_freedom, columns, kept)
    machines, seasons = [], []
    covariances, places = model.v.copy(), np.array([_place(f) for f in fields])
    chosen = Part.of(model, only).machines
    crops = model.paths_of_crops()[:-1]
    for i, at in enumerate(spreads):
        model.v = covariances * _own_noise(model.freedom, (places + i * GOLDEN) % 1)[:, None, None]
        of_machines, of_season = _drawn(model.solve(at), crops, chosen, i, EACH)
        machines.append(of_machines)
        seasons.append(of_season)
    names = [model.machines[m] for m in chosen]
    return Draws(names, model.crops, np.concatenate(machines), np.concatenate(seasons), draws)


def _points(
    model: NestedTerms, season_freedom: float, columns: Sequence[str], kept: KeptDraws | None
) -> tuple[list[Spreads], KeptDraws]:
    """``POINTS`` draws of the spreads, all as likely, and what to keep of them."""
    known = None if kept is None else kept.for_model(model, columns)
    if kept is not None and known is not None:
        weights = kept.weights(model, (model.solve(s).loglik for s in known))
        if weights is not None:
            # Systematic resampling (Kitagawa 1996, J. Comput. Graph. Statist. 5:1-25).
            at = weights.cumsum().searchsorted((np.arange(POINTS) + 0.5) / POINTS)
            return [known[i] for i in np.minimum(at, len(known) - 1)], kept
    drawn = draw_spreads(model, season_freedom)
    some = [drawn[i] for i in np.linspace(0, len(drawn) - 1, POINTS).astype(int)]
    return some, KeptDraws.of(model, columns, some, [model.solve(s).loglik for s in some])


def _place(field: FieldEstimates) -> float:
    """A number from 0 to 1 that is a field's own."""
    return crc32(np.ascontiguousarray(field.covariance).tobytes()) / 2**32


def _own_noise(freedom: Array, places: Array) -> Array:
    """nu / chi^2_nu of each field's freedom nu (f,), at the shares ``places`` (f,) of its distribution."""
    from scipy.special import chdtri

    chi2 = chdtri(np.minimum(freedom, 1e4), np.clip(places, 1e-6, 1 - 1e-6))
    return np.where(freedom < 1e4, freedom / chi2, 1.0)


def _drawn(
    solved: AtSpreads, crops: Array, chosen: NDArray[np.int_], number: int, count: int
) -> tuple[Array, Array]:
    """``count`` draws at the point of that ``number``: (d, m, c, s) of the machines ``chosen``, and (d, c, s)."""
    model, n = solved.model, solved.model.settings
    terms = solved.mean.size
    root = np.linalg.cholesky(solved.covariance + 1e-12 * np.eye(terms))
    common = solved.mean + np.random.default_rng([SEED, number]).standard_normal((count, terms)) @ root.T
    # Each machine has its own random numbers, so that its curves stay when other machines are added.
    chance = np.empty((len(chosen), count, n))
    for i, m in enumerate(chosen):
        seed = [SEED, number, crc32(model.machines[m].encode())]
        chance[i] = np.random.default_rng(seed).standard_normal((count, n))
    roots = np.linalg.cholesky(solved.inverse[chosen] + 1e-12 * np.eye(n)).transpose(0, 2, 1)
    own = solved.alone[chosen, None] + common @ solved.lead[chosen].transpose(0, 2, 1) + chance @ roots
    on_each = np.broadcast_to(common[:, None], (count, len(own), terms))
    drawn = np.concatenate([on_each, own.transpose(1, 0, 2)], axis=2)
    to_machine, to_season = (solved.map(crops, machine=one)[:, :n] for one in (True, False))
    of_machines = np.einsum("cij,dmj->dmci", to_machine, drawn, optimize=True)
    return of_machines, np.einsum("cij,dj->dci", to_season[:, :, :terms], common, optimize=True)
