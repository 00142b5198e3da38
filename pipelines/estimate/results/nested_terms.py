"""The normal model behind ``hierarchy`` at given spreads: its likelihood, its posterior, draws from it.

Fields are eliminated first, then machines, then one system is left of the size of settings x (1 + crops + years), so
the cost grows in proportion to fields (Searle, Casella and McCulloch 1992, Variance Components, ch. 7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from chaffinch.pipelines.array_types import Array
from numpy.typing import NDArray

# Fields of a group whose products are summed by one product of matrices.
MOST_STACKED = 8


@dataclass(frozen=True, slots=True)
class FieldEstimates:
    """Estimates of one field job: estimates (k,), covariance (k, k), doses (k, s), loadings (k, r) of w.

    common : (r,) which of w all machines share, none where not given.
    freedom : of the reference t of the field's own noise, the season's left out. unknown : (k,) how many settings a
    change moved by an unknown dose.
    """

    machine: str
    crop: str | None
    year: int
    estimates: Array
    covariance: Array
    doses: Array
    loadings: Array
    freedom: float
    unknown: Array
    common: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations of one step of each setting, (s,) or one for all; of fields also (f, s).

    unknown : of a change of unknown dose. noise : the factor on V. w : (m, r) of each machine, none where all are
    zero.
    """

    setting: Array | float
    field: Array | float
    change: Array | float
    machine: Array | float = 0.0
    crop: Array | float = 0.0
    year: Array | float = 0.0
    unknown: float = 0.3
    noise: float = 1.0
    w: Array | None = None


@dataclass(frozen=True, slots=True)
class DrawnTerms:
    """One draw of all terms, each of variance one.

    top : (p, s). machines : (m, s). fields : (f, s). changes : (f, k, s). unknown : (f, k).
    """

    top: Array
    machines: Array
    fields: Array
    changes: Array
    unknown: Array


class NestedTerms:
    """The padded arrays of all fields. paths : (f, p), which terms of mu but the machine's a field has: the setting's
    own, and where there are several crops or years, one of each.

    groups : for each column of the doses the number of the setting that it belongs to; each its own where not given.
    """

    def __init__(self, fields: Sequence[FieldEstimates], groups: Sequence[int] | None = None) -> None:
        self.fields = fields
        self.machines = sorted({f.machine for f in fields})
        self.crops = sorted({f.crop for f in fields}, key=lambda c: (c is None, c or ""))
        self.years = sorted({f.year for f in fields})
        many, most = len(fields), max(f.estimates.size for f in fields)
        self.settings = fields[0].doses.shape[1]
        self.groups = np.arange(self.settings) if groups is None else np.array(groups)
        self.x = np.zeros((many, most, self.settings))
        self.b, self.unknown = (np.zeros((many, most)) for _ in range(2))
        self.g = np.zeros((many, most, fields[0].loadings.shape[1]))
        self.v, self.padding = np.zeros((many, most, most)), np.zeros((many, most, most))
        for i, f in enumerate(fields):
            k = f.estimates.size
            self.x[i, :k], self.b[i, :k], self.g[i, :k] = f.doses, f.estimates, f.loadings
            self.unknown[i, :k], self.v[i, :k, :k] = f.unknown, f.covariance
            self.padding[i, range(k, most), range(k, most)] = 1.0
        some = fields[0].common
        self.common = np.zeros(self.g.shape[2], dtype=bool) if some is None else some
        self.real = np.diagonal(self.padding, axis1=1, axis2=2) == 0
        self.estimates = int(self.real.sum())
        self.machine = np.array([self.machines.index(f.machine) for f in fields])
        # The effect of a lone crop, or year, can't be separated from the setting's own.
        self.several = [len(some) if len(some) > 1 else 0 for some in (self.crops, self.years)]
        self.on = (self.machine == np.arange(len(self.machines))[:, None]).astype(float)
        self.paths = np.array([self._path(f.crop, f.year) for f in fields])
        self.freedom = np.array([f.freedom for f in fields])
        # Only sums over fields of one machine and one path are needed of them: g groups.
        alike, group = np.unique(np.column_stack([self.machine, self.paths]), axis=0, return_inverse=True)
        self.stacks, self.starts = _in_stacks(group)
        self.group_paths = alike[:, 1:]
        self.groups_on = (alike[:, 0] == np.arange(len(self.machines))[:, None]).astype(float)
        # Which groups count for each pair of a machine and a path, and of two paths: (m p, g), (p p, g).
        of_paths = self.group_paths.T
        self.on_paths = (self.groups_on[:, None, :] * of_paths).reshape(-1, len(alike))
        self.between_paths = (of_paths[:, None, :] * of_paths).reshape(-1, len(alike))

    def _path(self, crop: str | None, year: int) -> list[float]:
        crops, years = self.crops[: self.several[0]], self.years[: self.several[1]]
        return [1.0, *(float(c == crop) for c in crops), *(float(y == year) for y in years)]

    def paths_of_crops(self) -> Array:
        """Paths of each crop, then their mean, (crops + 1, p); years as often as they were seen."""
        many, crops = len(self.crops) + 1, self.several[0]
        of_crops = np.vstack([np.eye(crops), np.full(crops, 1 / crops)]) if crops else np.empty((many, 0))
        of_years = np.tile(self.paths[:, 1 + crops :].mean(axis=0), (many, 1))
        return np.hstack([np.ones((many, 1)), of_crops, of_years])

    def without_w(self, s: Spreads) -> Array:
        """The estimates less what w adds to them, (f, k)."""
        return self.b if s.w is None else self.b - (self.g @ s.w[self.machine][:, :, None])[:, :, 0]

    @cached_property
    def whitener(self) -> Array:
        """Inverse of the lower root of each field's V, (f, k, k)."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.v + self.padding)))

    def by_term(self, s: Spreads) -> Array:
        """Standard deviations of the terms of ``paths``, (p, s)."""
        each = [s.setting, *[s.crop] * self.several[0], *[s.year] * self.several[1]]
        return np.array([np.broadcast_to(one, self.settings) for one in each], dtype=float)

    def solve(self, s: Spreads) -> AtSpreads:
        """The normal posterior at ``s``."""
        n, diagonal = self.settings, np.arange(self.b.shape[1])
        scaled = self.x * np.broadcast_to(s.field, (len(self.x), n))[:, None, :]
        between = scaled @ scaled.transpose(0, 2, 1)
        between[:, diagonal, diagonal] += (
            self.x**2 @ np.broadcast_to(s.change, n) ** 2 + s.unknown**2 * self.unknown
        )
        w = s.noise * self.v + between + self.padding
        lower = np.linalg.cholesky(w)
        half = np.zeros((len(w) + 1, len(diagonal), n + 1))
        # For matrices this small an inverse and a product are faster than solving.
        upward = np.linalg.inv(lower)
        half[:-1, :, :n] = upward @ self.x
        half[:-1, :, n] = (upward @ self.without_w(s)[:, :, None])[:, :, 0]
        stacked = half[self.stacks].reshape(len(self.stacks), -1, n + 1)
        summed = stacked.transpose(0, 2, 1) @ stacked
        if len(self.starts) < len(summed):
            summed = np.add.reduceat(summed, self.starts, axis=0)
        log_w = _log_of_roots(np.asarray(lower))
        by_term = self.by_term(s)
        terms = len(by_term)
        own = np.broadcast_to(np.asarray(s.machine, dtype=float), n)
        flat = summed[:, :n, :n].reshape(len(summed), n * n)
        machines = len(self.machines)
        block = np.eye(n) + own[:, None] * (self.groups_on @ flat).reshape(machines, n, n) * own
        cross = (self.on_paths @ flat).reshape(machines, terms, n, n).transpose(0, 2, 1, 3)
        cross = (own[:, None, None] * cross * by_term).reshape(machines, n, terms * n)
        seen = own * (self.groups_on @ summed[:, :n, n])
        top = (self.between_paths @ flat).reshape(terms, terms, n, n).transpose(0, 2, 1, 3)
        top = np.eye(terms * n) + (by_term[:, :, None, None] * top * by_term).reshape(terms * n, terms * n)
        aim = (by_term * (self.group_paths.T @ summed[:, :n, n])).reshape(-1)
        inverse = np.linalg.inv(block)
        lead = -inverse @ cross
        alone = (inverse @ seen[:, :, None])[:, :, 0]
        flat_cross = cross.reshape(machines * n, terms * n)
        top = top + flat_cross.T @ lead.reshape(machines * n, terms * n)
        aim = aim - flat_cross.T @ alone.reshape(-1)
        covariance = np.linalg.inv(top)
        mean = covariance @ aim
        explained = float(aim @ mean + (seen * alone).sum())
        log_dets = log_w + _log_determinant(block) + _log_determinant(top)
        loglik = -0.5 * (log_dets + summed[:, n, n].sum() - explained)
        return AtSpreads(self, s, by_term, between, w, inverse, lead, alone, covariance, mean, float(loglik))


def _in_stacks(group: NDArray[np.int_]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Fields (stacks, size) so that one product of matrices sums over a stack, and where each group's stacks begin.

    group : (f,) number of the group of each field. A stack is filled up with the number that no field has.
    """
    members = [np.flatnonzero(group == g) for g in range(1 + int(group.max()))]
    size = min(MOST_STACKED, -(-len(group) // len(members)))
    counts = [-(-some.size // size) for some in members]
    filled = [
        np.pad(some, (0, count * size - some.size), constant_values=len(group))
        for some, count in zip(members, counts, strict=True)
    ]
    return np.concatenate(filled).reshape(-1, size), np.cumsum([0, *counts[:-1]])


def _log_determinant(positive: Array) -> float:
    """Of positive definite matrices (.., n, n), all together."""
    return _log_of_roots(np.asarray(np.linalg.cholesky(positive)))


def _log_of_roots(lower: Array) -> float:
    return 2 * float(np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum())


@dataclass(frozen=True, slots=True)
class AtSpreads:
    """The normal posterior at one point of the spreads. Common terms and machines are in units of their spreads."""

    model: NestedTerms
    spreads: Spreads
    by_term: Array
    between: Array
    w: Array
    inverse: Array
    lead: Array
    alone: Array
    covariance: Array
    mean: Array
    loglik: float

    def joint(self, machines: NDArray[np.int_]) -> tuple[Array, Array]:
        """Mean (m, j) and covariance (m, j, j) of common terms and the machine's own, for each of ``machines``."""
        lead = self.lead[machines]
        spread = lead @ self.covariance
        own = self.inverse[machines] + spread @ lead.transpose(0, 2, 1)
        top = np.broadcast_to(self.covariance, (len(own), *self.covariance.shape))
        covariance = np.concatenate(
            [
                np.concatenate([top, spread.transpose(0, 2, 1)], axis=2),
                np.concatenate([spread, own], axis=2),
            ],
            axis=1,
        )
        means = self.alone[machines] + lead @ self.mean
        return np.concatenate(
            [np.broadcast_to(self.mean, (len(own), self.mean.size)), means], axis=1
        ), covariance

    def map(self, paths: Array, machine: bool) -> Array:
        """From the joint terms to mu of each setting, for rows of ``paths`` (r, p): (r, s, j).

        machine : whether mu is that of the machine or that of all.
        """
        n = self.model.settings
        rows, terms = paths.shape
        found = np.zeros((rows, n, terms * n + n))
        weights = paths[:, :, None] * self.by_term
        found[:, :, : terms * n] = np.einsum("rpi,ij->ripj", weights, np.eye(n)).reshape(rows, n, terms * n)
        if machine:
            found[:, :, terms * n :] = np.diag(np.broadcast_to(self.spreads.machine, n))
        return found

    def draw(self, rng: np.random.Generator) -> DrawnTerms:
        """All terms from the posterior; fields and changes by conditioning a draw of the prior on the estimates
        (Hoffman and Ribak 1991, Astrophysical Journal 380:L5-L8; from memory)."""
        model, s = self.model, self.spreads
        n, (many, most) = model.settings, model.b.shape
        top = self.mean + np.linalg.cholesky(self.covariance) @ rng.standard_normal(self.mean.size)
        own = (np.linalg.cholesky(self.inverse) @ rng.standard_normal(self.alone.shape)[:, :, None])[:, :, 0]
        own += self.alone + self.lead @ top
        top = top.reshape(-1, n)
        mu = model.paths @ (self.by_term * top) + (np.broadcast_to(s.machine, n) * own)[model.machine]
        fields, changes = rng.standard_normal((many, n)), rng.standard_normal((many, most, n))
        unknown, errors = rng.standard_normal((2, many, most))
        scaled_x = model.x * np.broadcast_to(s.field, (many, n))[:, None, :]
        by_change = model.x * np.broadcast_to(s.change, n)
        by_unknown = s.unknown * np.sqrt(model.unknown)
        rest = model.without_w(s) - (model.x @ mu[:, :, None] + scaled_x @ fields[:, :, None])[:, :, 0]
        rest -= (by_change * changes).sum(axis=2)
        rest -= (
            by_unknown * unknown
            + np.sqrt(s.noise) * np.linalg.solve(model.whitener, errors[:, :, None])[:, :, 0]
        )
        pulled = np.linalg.solve(self.w, rest[:, :, None])[:, :, 0]
        fields = fields + (scaled_x.transpose(0, 2, 1) @ pulled[:, :, None])[:, :, 0]
        return DrawnTerms(
            top,
            own,
            fields,
            changes + by_change * pulled[:, :, None],
            unknown + by_unknown * pulled,
        )
