"""One hierarchical model of all adjustments' effects on one outcome, so that each answer uses what the others show.

For the estimates b (k,) of one field job, with doses X (k, s) of the s settings in steps:

    b - G w = X u + c + e        u = mu + field,   c_j ~ N(0, sum_s change_s^2 dose_js^2)
    mu = theta + crop + year + machine             each term normal about zero, with a spread of its own

e ~ N(0, noise V) is the error of the field's fit, V its covariance. G (k, r) is what a unit of each of r unknowns w ~
N(0, 1) common to the machine, or to all machines, adds (the weight of two loss signals, the power of the loss with
which they go). w is drawn from its prior whatever the estimates are: G follows the effects themselves, so they would
seem to determine w, and could be made to vanish by it (a cut model: Plummer 2015, Statistics and Computing 25:37-43).
A change of unknown dose has its own effect. Nothing is centred on an expected sign. The spreads have weak
priors, differ between settings, and are integrated over by draws (``spread_draws``), not plugged in. noise is
integrated likewise: nu / chi^2_nu, for nu degrees of freedom of the season's noise; that of one field enters as
degrees of freedom of a t. Given the spreads all is normal
(``nested_terms``), so an answer is a mixture over the draws (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed.,
ch. 5).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.nested_terms import AtSpreads, FieldEstimates, NestedTerms, Spreads
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws, draw_spreads
from numpy.typing import NDArray

Moments = tuple[Array, Array]


@dataclass(frozen=True, slots=True)
class Part:
    """The field jobs and machines whose own answers are made, by their numbers in the model, in order."""

    fields: NDArray[np.int_]
    machines: NDArray[np.int_]

    @classmethod
    def of(cls, model: NestedTerms, only: Collection[str] | None = None) -> Part:
        """only : names of machines; all where not given."""
        chosen = [m for m, name in enumerate(model.machines) if only is None or name in only]
        return cls(np.flatnonzero(np.isin(model.machine, chosen)), np.array(chosen, dtype=int))

    def places(self, model: NestedTerms, crops: int) -> dict[str, NDArray[np.int_]]:
        """Where its answers lie among those of all, by kind."""
        of_changes = np.isin(np.nonzero(model.real)[0], self.fields)
        per_field, per_machine = np.arange(model.settings), np.arange(crops * model.settings)
        on_machines = (self.machines[:, None] * per_machine.size + per_machine).reshape(-1)
        return {
            "changes": np.flatnonzero(of_changes),
            "fields": (self.fields[:, None] * per_field.size + per_field).reshape(-1),
            "on_machines": on_machines,
            "next_on_machines": on_machines,
        }


@dataclass(frozen=True, slots=True)
class Hierarchy:
    """The model fitted. ``machines``, ``crops``: in the order of the answers. part : what was answered.

    variances : posterior means of the variances of one step of each setting, by kind of term, (s,). changes : of each
    field in turn, its changes. fields : (field, setting) row by row. on_machines : (machine, crop, setting).
    seasons : (crop, setting), and at last all crops together. next_on_machines, next_fields : the same for a field to
    come. draws : of the spreads, to be kept.
    """

    machines: list[str]
    crops: list[str | None]
    part: Part
    variances: dict[str, Array]
    changes: Posterior
    fields: Posterior
    on_machines: Posterior
    next_on_machines: Posterior
    seasons: Posterior
    next_fields: Posterior
    draws: KeptDraws


def fit_hierarchy(
    fields: Sequence[FieldEstimates],
    season_freedom: float = float("inf"),
    columns: Sequence[str] = (),
    kept: KeptDraws | None = None,
    only: Collection[str] | None = None,
) -> Hierarchy:
    """Posterior of the effects behind ``fields``, which all have the same settings, ``columns``, in their columns.

    kept : draws of the spreads by less evidence, which are weighed again where they serve. only : machines whose own
    answers are made, all where not given; all evidence counts in any case.
    """
    model = NestedTerms(fields)
    crops, part = model.crops, Part.of(model, only)
    of_crops = model.paths_of_crops()
    drawn = None if kept is None else kept.for_model(model, columns)
    weights: Array | None = None
    if kept is not None and drawn is not None:
        found, logliks = _at_each(model, drawn, of_crops, part)
        weights, draws = kept.weights(model, logliks), kept
    if drawn is None or weights is None:
        drawn = draw_spreads(model, season_freedom)
        found, logliks = _at_each(model, drawn, of_crops, part)
        weights, draws = np.full(len(drawn), 1 / len(drawn)), KeptDraws.of(model, columns, drawn, logliks)
    usual = _usual(drawn, weights)
    free, places = freedoms(model.solve(usual), of_crops), part.places(model, len(crops))
    posteriors = {}
    for name in found[0]:
        means, variances = (np.stack([one[name][j] for one in found], axis=1) for j in (0, 1))
        of_these = free[name][places[name]] if name in places else free[name]
        posteriors[name] = Posterior(weights, means, variances, of_these[:, None])
    kinds = ("setting", "field", "change", "machine", "crop", "year")
    typical = {name: np.broadcast_to(np.asarray(getattr(usual, name)) ** 2, model.settings) for name in kinds}
    return Hierarchy(model.machines, crops, part, typical, **posteriors, draws=draws)


def _at_each(
    model: NestedTerms, drawn: Sequence[Spreads], of_crops: Array, part: Part
) -> tuple[list[dict[str, Moments]], list[float]]:
    """The answers of ``part`` and of all together at each draw, and its log likelihood."""
    found, logliks = [], []
    for spreads in drawn:
        at = model.solve(spreads)
        found.append(answers(at, of_crops, part))
        logliks.append(at.loglik)
    return found, logliks


def _usual(drawn: Sequence[Spreads], weights: Array) -> Spreads:
    """Root mean square of the draws, each by its weight."""
    names = ("setting", "field", "change", "machine", "crop", "year", "unknown")
    found: dict[str, Any] = {
        name: np.sqrt(np.average([np.asarray(getattr(s, name)) ** 2 for s in drawn], axis=0, weights=weights))
        for name in names
    }
    return Spreads(**found, noise=float(np.average([s.noise for s in drawn], weights=weights)))


def answers(at: AtSpreads, of_crops: Array, part: Part | None = None) -> dict[str, Moments]:
    """Means and variances of all kinds of answers at one point, each flat in the order of ``Hierarchy``.

    of_crops : (r, p) rows of paths for the season's answers, the last the mean over crops.
    """
    model, s = at.model, at.spreads
    n = model.settings
    part = part or Part.of(model)
    mean, covariance = at.joint(part.machines)
    of_part, machine = part.fields, np.searchsorted(part.machines, model.machine[part.fields])
    maps = at.map(model.paths[of_part], machine=True)
    here_mean = (maps @ mean[machine][:, :, None])[:, :, 0]
    here_cov = maps @ covariance[machine] @ maps.transpose(0, 2, 1)
    x, b, between = model.x[of_part], model.without_w(s)[of_part], at.between[of_part]
    inverse = np.linalg.inv(at.w[of_part])

    def of(gain: Array, prior: Array, left: Array) -> Moments:
        """prior (f, r, s): by mu. gain (f, r, k): by the residual. left (f, r): variance left."""
        by = prior - gain @ x
        means = (by @ here_mean[:, :, None] + gain @ b[:, :, None])[:, :, 0]
        return means, left + ((by @ here_cov) * by).sum(axis=2)

    gain = between @ inverse
    left = np.diagonal(between - gain @ between, axis1=1, axis2=2)
    means, variances = of(gain, x, left)
    real = model.real[of_part]
    changes = means[real], variances[real]
    of_all = np.broadcast_to(s.field, (len(model.x), n)) ** 2
    own = of_all[of_part]
    by_field = own[:, :, None] * x.transpose(0, 2, 1) @ inverse
    eye = np.broadcast_to(np.eye(n), (len(x), n, n))
    left = own - own * np.einsum("fsk,fks->fs", by_field, x)
    means, variances = of(by_field, eye, left)
    fields = means.reshape(-1), variances.reshape(-1)

    machine_maps = at.map(of_crops[:-1], machine=True)
    season_maps = at.map(of_crops, machine=False)[:, :, : at.mean.size]
    on_machines = (
        np.einsum("cij,mj->mci", machine_maps, mean),
        ((machine_maps @ covariance[:, None]) * machine_maps).sum(axis=3),
    )
    seasons = (
        np.einsum("cij,j->ci", season_maps, at.mean),
        ((season_maps @ at.covariance) * season_maps).sum(axis=2),
    )
    beyond = np.broadcast_to(np.mean(of_all, axis=0), n)
    far = beyond + np.asarray(s.machine) ** 2 + np.asarray(s.year) ** 2
    return {
        "changes": changes,
        "fields": fields,
        "on_machines": _flat(*on_machines),
        "next_on_machines": _flat(on_machines[0], on_machines[1] + beyond),
        "seasons": _flat(*seasons),
        "next_fields": _flat(seasons[0], seasons[1] + far),
    }


def _flat(means: Array, variances: Array) -> Moments:
    return means.reshape(-1), variances.reshape(-1)


def freedoms(at: AtSpreads, of_crops: Array) -> dict[str, Array]:
    """Degrees of freedom of all kinds of answers, in the order of ``answers``.

    Each field's noise has a t of its own; what share of an answer's variance it makes counts (Satterthwaite 1946,
    Biometrics Bulletin 2:110-114).
    """
    model, n = at.model, at.model.settings
    found = answers(at, of_crops)
    _, covariance = at.joint(np.arange(len(model.machines)))
    maps = at.map(model.paths, machine=True)
    here_cov = maps @ covariance[model.machine] @ maps.transpose(0, 2, 1)
    x = model.x
    inverse = np.linalg.inv(at.w)
    noise = at.spreads.noise * model.v
    down = x.transpose(0, 2, 1) @ inverse
    through = here_cov @ down

    def within(gain: Array, prior: Array, variances: Array) -> Array:
        total = gain + (prior - gain @ x) @ through
        of_noise = np.einsum("frk,fkl,frl->fr", total, noise, total, optimize=True)
        share = of_noise / np.maximum(variances, 1e-300)
        return np.broadcast_to(model.freedom[:, None], share.shape) / np.maximum(share, 1e-3) ** 2

    gain = at.between @ inverse
    padded = np.ones(model.b.shape)
    padded[model.real] = found["changes"][1]
    own = np.broadcast_to(at.spreads.field, (len(x), n)) ** 2
    by_field = own[:, :, None] * x.transpose(0, 2, 1) @ inverse
    eye = np.broadcast_to(np.eye(n), (len(x), n, n))
    rows = {
        "changes": within(gain, x, padded)[model.real],
        "fields": within(by_field, eye, found["fields"][1].reshape(-1, n)).reshape(-1),
    }
    machine_maps = at.map(of_crops[:-1], machine=True)
    season_maps = at.map(of_crops, machine=False)
    on_machines = np.zeros((len(model.machines), *machine_maps.shape[:2]))
    seasons = np.zeros(season_maps.shape[:2])
    variances = found["on_machines"][1].reshape(on_machines.shape), found["seasons"][1].reshape(seasons.shape)
    for f, m in enumerate(model.machine):
        to_field = covariance[m] @ maps[f].T @ down[f]
        for kind, all_variances, free, where in (
            (machine_maps, variances[0][m], on_machines, m),
            (season_maps, variances[1], seasons, slice(None)),
        ):
            g = kind @ to_field
            share = np.einsum("cik,kl,cil->ci", g, noise[f], g) / np.maximum(all_variances, 1e-300)
            free[where] += share**2 / model.freedom[f]
    for name, free in (("on_machines", on_machines), ("seasons", seasons)):
        rows[name] = 1 / np.maximum(free.reshape(-1), 1e-6)
    for name, of in (("next_on_machines", "on_machines"), ("next_fields", "seasons")):
        kept = (found[of][1] / np.maximum(found[name][1], 1e-300)) ** 2
        rows[name] = rows[of] / np.maximum(kept, 1e-6)
    return rows
