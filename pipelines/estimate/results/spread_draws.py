"""Draws of the spreads of ``nested_terms`` from their posterior, by Gibbs sampling.

Each setting s has its own size kappa_s, by which all its spreads are multiplied: a setting that does nothing
does so on every machine and in every field, and one that does much varies much.

    spread of a term of setting s = kappa_s x spread of such terms        kappa_s^2 ~ beta prime(1/4, 1/2)

(over groups of terms; with 1/2 and 1/2 it is the half-Cauchy of the horseshoe, Carvalho, Polson and Scott 2010,
Biometrika 97:465-480). Many settings do next to nothing to a given loss, so the prior has more mass near zero than
the half-Cauchy; its tail is the same, so a large effect is shrunk no more. Scales are drawn on grids, alternately
given the terms and given the terms in units of their spreads, which mixes well where either alone mixes badly
(interweaving: Yu and Meng 2011, J. Comput. Graph. Statist. 20:531-570).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.nested_terms import DrawnTerms, NestedTerms, Spreads
from numpy.typing import NDArray

# Scales of the half-normal priors, on the log scale for one step of a setting (common practice, no source).
PRIOR_SCALES = {"field": 0.25, "change": 0.1, "machine": 0.15, "crop": 0.2, "year": 0.1}
# The usual size of settings' effects is log-normal: of the order of 30 % a step, a factor of 2.7 either way is no
# surprise.
USUAL_EFFECT, EFFECTS_APART = 0.3, 1.0
WARM_UP, SWEEPS, EVERY = 60, 480, 4
SIZES = 2.0 ** np.arange(-7, 3.01, 0.5)
# Of the sizes' beta prime: 1 is the half-Cauchy, less puts more mass near zero.
NEAR_ZERO = 0.5
SEED = 20260711
# Draws are made again where the weighted ones are worth fewer than this share of them (common practice: one half).
ENOUGH_LEFT = 0.5
ADDED_SEED = 20261129


@dataclass(frozen=True, slots=True)
class _Grid:
    """Values of a scale and their log prior."""

    values: Array
    log_prior: Array

    def draw(self, rng: np.random.Generator, log_likelihood: Array) -> float:
        """One value; log_likelihood : (values,)."""
        weight = self.log_prior + log_likelihood
        chances = np.exp(weight - weight.max()).cumsum()
        return float(self.values[chances.searchsorted(rng.random() * chances[-1])])

    def draw_many(self, rng: np.random.Generator, log_likelihoods: Array) -> Array:
        """One value for each row of log_likelihoods (n, values), shape (n,)."""
        weight = self.log_prior + log_likelihoods
        chances = np.exp(weight - weight.max(axis=1, keepdims=True)).cumsum(axis=1)
        at = (chances < rng.random(len(chances))[:, None] * chances[:, -1:]).sum(axis=1)
        return np.asarray(self.values[at])


def _sizes() -> _Grid:
    # The density of ln kappa, where kappa^2 is beta prime(NEAR_ZERO / 2, 1/2).
    return _Grid(SIZES, NEAR_ZERO * np.log(SIZES) - 0.5 * (NEAR_ZERO + 1) * np.log1p(SIZES**2))


def _half_normal(scale: float) -> _Grid:
    values = scale * np.concatenate([[0.02, 0.06], np.arange(0.1, 3.21, 0.1)])
    # Each value stands for what lies nearer to it than to others.
    log_width = np.log(np.gradient(values))
    return _Grid(values, log_width - 0.5 * (values / scale) ** 2)


def _usual() -> _Grid:
    z = np.linspace(-3, 3, 31)
    return _Grid(USUAL_EFFECT * np.exp(EFFECTS_APART * z), -0.5 * z**2)


class _Chain:
    """The state of the sampler: scale of each kind of term, size of each setting, factor on the noise."""

    def __init__(self, model: NestedTerms, season_freedom: float) -> None:
        self.model, self.freedom = model, season_freedom
        levels = {"machine": len(model.machines), "crop": len(model.crops), "year": len(model.years)}
        # A term that all fields share cannot be seen apart from the setting's own.
        varied = [name for name, some in levels.items() if some > 1]
        self.grids = {"setting": _usual()}
        self.grids |= {name: _half_normal(PRIOR_SCALES[name]) for name in ("field", "change", *varied)}
        self.sizes_grid = _sizes()
        self.scales = {"setting": USUAL_EFFECT} | {
            name: PRIOR_SCALES[name] / 2 for name in list(self.grids)[1:]
        }
        self.sizes, self.noise = np.ones(1 + int(model.groups.max())), 1.0
        self.of_group = np.equal.outer(model.groups, np.arange(self.sizes.size)).astype(float)
        # Which terms anything was seen of: without data a term is its prior.
        moved = (model.x != 0).any(axis=1)
        ends = np.cumsum([0, 1, *model.several])
        by_path = (model.paths.T @ moved) > 0
        self.seen = {
            name: by_path[a:b]
            for name, a, b in zip(("setting", "crop", "year"), ends, ends[1:], strict=False)
        }
        self.seen |= {"machine": (model.on @ moved) > 0, "field": moved, "change": model.x != 0}
        self.bounds = dict(zip(("setting", "crop", "year"), zip(ends, ends[1:], strict=False), strict=True))
        self.w: Array | None = None

    def spreads(self) -> Spreads:
        of_columns = self.sizes[self.model.groups]
        sized = {name: of_columns * scale for name, scale in self.scales.items()}
        return Spreads(**sized, unknown=self.scales["setting"], noise=self.noise, w=self.w)

    def sweep(self, rng: np.random.Generator) -> None:
        drawn = self.model.solve(self.spreads()).draw(rng)
        terms = self._by_kind(drawn)
        self._noise(rng, drawn, terms)
        terms = self._given_terms(rng, terms)
        self._given_standard(rng, drawn, terms)

    def _by_kind(self, drawn: DrawnTerms) -> dict[str, Array]:
        """Terms in units of their spreads, by kind: (levels, s), changes (f, k, s); only of kinds that vary."""
        found = {name: drawn.top[a:b] for name, (a, b) in self.bounds.items()}
        found |= {"machine": drawn.machines, "field": drawn.fields, "change": drawn.changes}
        return {name: found[name] for name in self.grids}

    def _effects(self, terms: dict[str, Array]) -> dict[str, Array]:
        """What each kind of term does to each estimate, in units of its spread: (f, k, s)."""
        model = self.model
        found = {}
        for name, term in terms.items():
            if name in self.bounds:
                a, b = self.bounds[name]
                found[name] = model.x * (model.paths[:, a:b] @ term)[:, None, :]
            elif name == "change":
                found[name] = model.x * term
            else:
                found[name] = model.x * (term[model.machine] if name == "machine" else term)[:, None, :]
        return found

    def _rest(self, drawn: DrawnTerms) -> Array:
        """Whitened estimates less what w adds and what changes of unknown dose did."""
        other = self.scales["setting"] * np.sqrt(self.model.unknown) * drawn.unknown
        rest = self.model.without_w(self.spreads()) - other
        return np.asarray((self.model.whitener @ rest[:, :, None])[:, :, 0])

    def _noise(self, rng: np.random.Generator, drawn: DrawnTerms, terms: dict[str, Array]) -> None:
        if not np.isfinite(self.freedom):
            return
        effects, of_columns = self._effects(terms), self.sizes[self.model.groups]
        explained = sum((self.scales[name] * one @ of_columns for name, one in effects.items()), np.zeros(()))
        errors = self._rest(drawn) - (self.model.whitener @ explained[:, :, None])[:, :, 0]
        freedom = self.freedom + self.model.estimates
        self.noise = float((self.freedom + (errors**2).sum()) / rng.chisquare(freedom))

    def _given_terms(self, rng: np.random.Generator, terms: dict[str, Array]) -> dict[str, Array]:
        """Scales, then sizes, given the terms themselves; returns the terms in units of the new spreads."""
        squares = {
            name: (term**2 * self.seen[name]).reshape(-1, self.model.settings).sum(axis=0)
            for name, term in terms.items()
        }
        counts = {name: self.seen[name].reshape(-1, self.model.settings).sum(axis=0) for name in terms}
        terms = dict(terms)
        for name, grid in self.grids.items():
            before = self.scales[name]
            values = grid.values
            loglik = -counts[name].sum() * np.log(values) - 0.5 * before**2 * squares[name].sum() / values**2
            self.scales[name] = grid.draw(rng, loglik)
            ratio = before / self.scales[name]
            terms[name], squares[name] = terms[name] * ratio, squares[name] * ratio**2
        total, count = (sum(some.values()) @ self.of_group for some in (squares, counts))
        old = self.sizes.copy()
        logliks = -count[:, None] * np.log(SIZES) - 0.5 * (old**2 * total)[:, None] / SIZES**2
        self.sizes = self.sizes_grid.draw_many(rng, logliks)
        ratios = (old / self.sizes)[self.model.groups]
        return {name: term * ratios for name, term in terms.items()}

    def _given_standard(self, rng: np.random.Generator, drawn: DrawnTerms, terms: dict[str, Array]) -> None:
        """Sizes, then scales, given the terms in units of their spreads: a regression of the estimates on them."""
        effects, whitener, rest = self._effects(terms), self.model.whitener, self._rest(drawn)
        together = np.asarray(sum(self.scales[name] * one for name, one in effects.items()))
        columns = whitener @ together @ self.of_group
        self.sizes = self._regress(rng, columns, rest, self.sizes, [self.sizes_grid] * self.sizes.size)
        columns = whitener @ np.stack(
            [one @ self.sizes[self.model.groups] for one in effects.values()], axis=2
        )
        before = np.array([self.scales[name] for name in effects])
        found = self._regress(rng, columns, rest, before, [self.grids[name] for name in effects])
        self.scales = dict(zip(effects, found.tolist(), strict=True))

    def _regress(
        self, rng: np.random.Generator, columns: Array, rest: Array, start: Array, grids: list[_Grid]
    ) -> Array:
        """Coefficients of whitened ``columns`` (f, k, c), one after another, each on its grid."""
        flat = columns.reshape(-1, columns.shape[2])
        gram, along = flat.T @ flat, flat.T @ rest.reshape(-1)
        gram, along = gram / self.noise, along / self.noise
        found = start.copy()
        for i, grid in enumerate(grids):
            slope = along[i] - gram[i] @ found + gram[i, i] * found[i]
            found[i] = grid.draw(rng, slope * grid.values - 0.5 * gram[i, i] * grid.values**2)
        return found


def draw_spreads(model: NestedTerms, season_freedom: float) -> list[Spreads]:
    """Draws of the spreads, each as likely as any other; the same estimates always give the same draws.

    season_freedom : degrees of freedom with which the season's noise is known.
    """
    chain, rng = _Chain(model, season_freedom), np.random.default_rng(SEED)
    found = []
    doubts = None
    if model.g.any():
        doubts = spread_doubts(rng, SWEEPS // EVERY, len(model.machines), model.common)
    for _ in range(WARM_UP):
        chain.sweep(rng)
    for i in range(SWEEPS // EVERY):
        chain.w = None if doubts is None else doubts[i]
        for _ in range(EVERY):
            chain.sweep(rng)
        found.append(chain.spreads())
    return found


def spread_doubts(rng: np.random.Generator, draws: int, machines: int, common: NDArray[np.bool_]) -> Array:
    """Standard normal values of w, (draws, machines, unknowns), each as evenly spread as can be.

    common : (unknowns,), which are common to all machines.
    """
    from scipy.special import ndtri

    even = ndtri((np.arange(draws) + 0.5) / draws)
    found = rng.permuted(np.tile(even[:, None, None], (machines, common.size)), axis=0)
    return np.where(common, found[:, :1], found)


@dataclass(frozen=True, slots=True)
class KeptDraws:
    """Draws of one outcome's spreads, which serve on when there is more evidence.

    A draw made when the evidence was E counts, now that it is E', by p(E' | spreads) / p(E | spreads), which
    ``NestedTerms`` gives exactly (importance sampling; Chopin 2002, Biometrika 89:539-551; from memory). So answers
    follow the new evidence without the chance of new draws. columns : of the doses. logliks (d,) : of the evidence
    they were drawn by.
    """

    columns: tuple[str, ...]
    machines: tuple[str, ...]
    crops: tuple[str | None, ...]
    years: tuple[int, ...]
    spreads: tuple[Spreads, ...]
    logliks: Array

    @classmethod
    def of(
        cls, model: NestedTerms, columns: Sequence[str], spreads: Sequence[Spreads], logliks: Sequence[float]
    ) -> KeptDraws:
        seen = tuple(model.machines), tuple(model.crops), tuple(model.years)
        return cls(tuple(columns), *seen, tuple(spreads), np.array(logliks))

    def for_model(self, model: NestedTerms, columns: Sequence[str]) -> list[Spreads] | None:
        """The draws for ``model``; None where it has terms of which nothing was drawn."""
        lone = len(self.machines) == 1 and len(model.machines) > 1
        if tuple(columns) != self.columns or lone or not set(self.machines) <= set(model.machines):
            return None
        if tuple(model.crops) != self.crops or tuple(model.years) != self.years:
            return None
        if not model.g.any():
            return [replace(s, w=None) for s in self.spreads]
        if any(s.w is None or s.w.shape[1:] != model.g.shape[2:] for s in self.spreads):
            return None
        added = [name for name in model.machines if name not in self.machines]
        rng = np.random.default_rng([ADDED_SEED, len(self.machines)])
        more = spread_doubts(rng, len(self.spreads), len(added), model.common)
        order = [(*self.machines, *added).index(name) for name in model.machines]
        found = []
        for s, doubts in zip(self.spreads, more, strict=True):
            known = np.asarray(s.w)
            of_all = np.concatenate([known, np.where(model.common, known[:1], doubts)])
            found.append(replace(s, w=of_all[order]))
        return found

    def weights(self, model: NestedTerms, logliks: Iterable[float]) -> Array | None:
        """What each draw counts, (d,), now that the evidence has ``logliks``; None where too few are left.

        With an unknown common to a machine all count alike: it is not learned from the effects (``hierarchy``).
        """
        many = len(self.spreads)
        if model.g.any():
            return np.full(many, 1 / many)
        ratio = np.array(list(logliks)) - self.logliks
        weights = np.exp(ratio - ratio.max())
        weights /= weights.sum()
        return weights if 1 / float(weights @ weights) >= ENOUGH_LEFT * many else None
