"""One hierarchical model of all adjustments' effects on one outcome, so that each answer uses what the others show.

For the estimates b (k,) of one machine-field, with doses X (k, s) of the s settings in steps:

    b = X u + c + g w + e        u = mu + field,   field ~ N(0, field^2 I),   c_j ~ N(0, change^2 dose_j^2)
    mu = theta + crop + year + machine             each term normal about zero, with a standard deviation of its own

e ~ N(0, scale V) is the error of the field's fit, V its covariance. g (k,) is what a unit of an unknown w ~ N(0, 1)
common to the machine adds (two loss signals of unknown weight). A change of unknown dose has an effect of its own.
Nothing is centred on an expected sign. The standard deviations have the priors below and are integrated over, not
plugged in: quadrature over adaptive importance points. scale is integrated likewise: nu / chi^2_nu, for nu degrees of
freedom of the season's noise; that of one field enters as degrees of freedom of a t.

Given the standard deviations all is Gaussian: fields are eliminated first, then machines, then one system is left of
the size of settings x (1 + crops + years), so the cost grows in proportion to fields (Searle, Casella and McCulloch
1992, Variance Components, ch. 7; Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., ch. 5).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Scales of the half-normal priors, on the log scale for one step of a setting (common practice, no source).
PRIOR_SCALES = {"field": 0.25, "change": 0.1, "machine": 0.15, "crop": 0.2, "year": 0.1}
# The size of settings' effects is log-normal: of the order of 30 % a step, a factor of 1.6 either way no surprise.
USUAL_EFFECT, EFFECTS_APART = 0.3, 0.5
POINTS = 96
ROUNDS = 2
# Proposals are so much wider than the posterior seems.
WIDER = 1.15


@dataclass(frozen=True, slots=True)
class FieldEstimates:
    """Estimates of one machine-field: estimates (k,), covariance (k, k), doses (k, s), loadings (k,) of w.

    freedom : of the reference t of the field's own noise, the season's left out. sizes : (k,) squared steps of a
    change, summed over its settings. unknown : (k,) how many of its settings moved by an unknown dose.
    """

    machine: str
    crop: str | None
    year: int
    estimates: Array
    covariance: Array
    doses: Array
    loadings: Array
    freedom: float
    sizes: Array
    unknown: Array


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mixtures of t distributions, one for each of n answers.

    weights : (q,) of the points. means, variances : (n, q). freedoms : (n, q).
    """

    weights: Array
    means: Array
    variances: Array
    freedoms: Array

    def mean(self) -> Array:
        """Posterior means, shape (n,)."""
        return self.means @ self.weights

    def below(self, x: Array | float) -> Array:
        """Posterior probability of lying below ``x`` (n,), shape (n,)."""
        from scipy.special import stdtr

        apart = np.broadcast_to(np.asarray(x, dtype=float), self.means.shape[:1])[:, None] - self.means
        with np.errstate(divide="ignore", invalid="ignore"):
            score = np.where(self.variances > 0, apart / np.sqrt(self.variances), np.sign(apart) * np.inf)
        return stdtr(self.freedoms, np.nan_to_num(score, nan=0.0)) @ self.weights

    def quantile(self, level: float) -> Array:
        """Where the probability of lying below is ``level``, shape (n,), by bisection."""
        middle, mean = self.mean(), self.mean()[:, None]
        spread = 15 * np.sqrt((self.variances + (self.means - mean) ** 2) @ self.weights)
        low, high = middle - spread, middle + spread
        for _ in range(30):
            middle = (low + high) / 2
            under = self.below(middle) < level
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2

    def times(self, factor: Array | float) -> Posterior:
        """The posterior of ``factor`` (n,) times the answers."""
        by = np.broadcast_to(np.asarray(factor, dtype=float), self.means.shape[:1])[:, None]
        return Posterior(self.weights, by * self.means, by**2 * self.variances, self.freedoms)

    def rows(self, which: Sequence[int] | NDArray[np.int_]) -> Posterior:
        """The answers of ``which``."""
        return Posterior(self.weights, *(a[which] for a in (self.means, self.variances, self.freedoms)))


@dataclass(frozen=True, slots=True)
class Hierarchy:
    """The model fitted. ``machines``, ``crops``: in the order of the answers.

    components : posterior means of the standard deviations. changes : of each field in turn, its changes. fields :
    (field, setting) row by row. on_machines : (machine, crop, setting). seasons : (crop, setting), and at last
    all crops together. next_on_machines, next_fields : the same for a field to come.
    """

    machines: list[str]
    crops: list[str | None]
    components: dict[str, float]
    changes: Posterior
    fields: Posterior
    on_machines: Posterior
    next_on_machines: Posterior
    seasons: Posterior
    next_fields: Posterior


@dataclass(frozen=True, slots=True)
class _Scales:
    """Standard deviations at one point, and the factor on V."""

    setting: float
    field: float
    change: float
    machine: float
    crop: float
    year: float
    noise: float


class _Model:
    """The padded arrays of all fields. paths : (f, p), which terms of mu but the machine's a field has."""

    def __init__(self, fields: Sequence[FieldEstimates], season_freedom: float) -> None:
        self.fields, self.season_freedom = fields, season_freedom
        self.machines = sorted({f.machine for f in fields})
        self.crops = sorted({f.crop for f in fields}, key=lambda c: (c is None, c or ""))
        self.years = sorted({f.year for f in fields})
        many, most = len(fields), max(f.estimates.size for f in fields)
        self.settings = fields[0].doses.shape[1]
        self.x = np.zeros((many, most, self.settings))
        self.b, self.g, self.size, self.unknown = (np.zeros((many, most)) for _ in range(4))
        self.v, self.padding = np.zeros((many, most, most)), np.zeros((many, most, most))
        for i, f in enumerate(fields):
            k = f.estimates.size
            self.x[i, :k], self.b[i, :k], self.g[i, :k] = f.doses, f.estimates, f.loadings
            self.size[i, :k], self.unknown[i, :k] = f.sizes, f.unknown
            self.v[i, :k, :k] = f.covariance
            self.padding[i, range(k, most), range(k, most)] = 1.0
        self.machine = np.array([self.machines.index(f.machine) for f in fields])
        self.on = (self.machine == np.arange(len(self.machines))[:, None]).astype(float)
        self.paths = np.array([self._path(f.crop, f.year) for f in fields])
        self.freedom = np.array([f.freedom for f in fields])
        self.xgb = np.concatenate([self.x, self.g[:, :, None], self.b[:, :, None]], axis=2)
        # A term that all fields share cannot be seen apart from the setting's own.
        levels = {"machine": len(self.machines), "crop": len(self.crops), "year": len(self.years)}
        varied = [name for name, some in levels.items() if some > 1]
        self.names = ["setting", "field", "change", *varied]

    def _path(self, crop: str | None, year: int) -> list[float]:
        return [1.0, *(float(c == crop) for c in self.crops), *(float(y == year) for y in self.years)]

    def scales(self, z: Array) -> _Scales:
        """The standard deviations at ``z``, which is standard normal beforehand in each dimension."""
        from scipy.special import chdtri, ndtr, ndtri

        found = dict.fromkeys(PRIOR_SCALES, 0.0)
        found["setting"] = USUAL_EFFECT * float(np.exp(EFFECTS_APART * z[1]))
        for name, at in zip(self.names[1:], z[2:], strict=True):
            found[name] = PRIOR_SCALES[name] * float(ndtri(0.5 + 0.5 * ndtr(at)))
        freedom = self.season_freedom
        noise = freedom / float(chdtri(freedom, ndtr(z[0]))) if np.isfinite(freedom) else 1.0
        return _Scales(**found, noise=noise)

    def solve(self, s: _Scales) -> _Solved:
        between = s.field**2 * self.x @ self.x.transpose(0, 2, 1)
        diagonal = np.arange(self.b.shape[1])
        between[:, diagonal, diagonal] += s.change**2 * self.size + s.setting**2 * self.unknown
        w = s.noise * self.v + between + self.padding
        lower = np.linalg.cholesky(w)
        half = np.linalg.solve(lower, self.xgb)
        products = half.transpose(0, 2, 1) @ half
        log_w = 2 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum()
        n = self.settings
        by_term = np.array([s.setting] + [s.crop] * len(self.crops) + [s.year] * len(self.years))
        paths = self.paths * by_term
        terms = paths.shape[1]
        own = np.append(np.full(n, s.machine), 1.0)
        sums = np.einsum("mf,fij->mij", self.on, products, optimize=True)
        block = np.eye(n + 1) + own[:, None] * sums[:, : n + 1, : n + 1] * own
        cross = np.einsum("mf,fp,fij->mipj", self.on, paths, products[:, : n + 1, :n], optimize=True)
        cross = own[:, None] * cross.reshape(len(self.machines), n + 1, terms * n)
        seen = own * sums[:, : n + 1, n + 1]
        top = np.einsum("fp,fq,fij->piqj", paths, paths, products[:, :n, :n], optimize=True)
        top = np.eye(terms * n) + top.reshape(terms * n, terms * n)
        aim = np.einsum("fp,fi->pi", paths, products[:, :n, n + 1]).reshape(-1)
        inverse = np.linalg.inv(block)
        lead = -inverse @ cross
        alone = np.einsum("mij,mj->mi", inverse, seen)
        top = top + np.einsum("mip,miq->pq", cross, lead, optimize=True)
        aim = aim - np.einsum("mip,mi->p", cross, alone)
        covariance = np.linalg.inv(top)
        mean = covariance @ aim
        explained = float(aim @ mean + np.einsum("mi,mi->", seen, alone))
        log_dets = log_w + np.linalg.slogdet(block)[1].sum() + np.linalg.slogdet(top)[1]
        loglik = -0.5 * (log_dets + products[:, n + 1, n + 1].sum() - explained)
        return _Solved(self, s, paths, between, w, inverse, lead, alone, covariance, mean, float(loglik))


@dataclass(frozen=True, slots=True)
class _Solved:
    """The Gaussian posterior at one point of the standard deviations."""

    model: _Model
    scales: _Scales
    paths: Array
    between: Array
    w: Array
    inverse: Array
    lead: Array
    alone: Array
    covariance: Array
    mean: Array
    loglik: float

    def joint(self) -> tuple[Array, Array]:
        """Mean (m, j) and covariance (m, j, j) of the common terms with each machine's own and its w."""
        spread = self.lead @ self.covariance
        own = self.inverse + spread @ self.lead.transpose(0, 2, 1)
        top = np.broadcast_to(self.covariance, (len(own), *self.covariance.shape))
        covariance = np.concatenate(
            [
                np.concatenate([top, spread.transpose(0, 2, 1)], axis=2),
                np.concatenate([spread, own], axis=2),
            ],
            axis=1,
        )
        means = self.alone + self.lead @ self.mean
        return np.concatenate(
            [np.broadcast_to(self.mean, (len(own), self.mean.size)), means], axis=1
        ), covariance

    def map(self, paths: Array, machine: float) -> Array:
        """From the joint terms to mu of each setting and w, for rows of ``paths`` (r, p): (r, s + 1, j)."""
        n = self.model.settings
        eye = np.eye(n)
        rows, terms = paths.shape
        found = np.zeros((rows, n + 1, terms * n + n + 1))
        found[:, :n, : terms * n] = np.einsum("rp,ij->ripj", paths, eye).reshape(rows, n, terms * n)
        found[:, :n, terms * n : -1] = machine * eye
        found[:, n, -1] = 1.0
        return found


def fit_hierarchy(fields: Sequence[FieldEstimates], season_freedom: float = float("inf")) -> Hierarchy:
    """Posterior of the effects behind ``fields``, which all have the same settings in their columns."""
    model = _Model(fields, season_freedom)
    points, weights = explore(lambda z: model.solve(model.scales(z)).loglik, 1 + len(model.names))
    kept = weights > 1e-3 * weights.max()
    points, weights = points[kept], weights[kept] / weights[kept].sum()
    crops, machines = model.crops, model.machines
    # Each crop, then the mean over crops; years as often as they were seen.
    of_crops = np.vstack([np.eye(len(crops)), np.full(len(crops), 1 / len(crops))])
    of_years = np.tile(model.paths[:, 1 + len(crops) :].mean(axis=0), (len(of_crops), 1))
    of_crops = np.hstack([np.ones((len(of_crops), 1)), of_crops, of_years])
    found = [_answers(model, model.scales(z), of_crops) for z in points]
    names = ("changes", "fields", "on_machines", "next_on_machines", "seasons", "next_fields")
    posteriors = {}
    for i, name in enumerate(names):
        parts = [np.stack([one[i][j] for one in found], axis=1) for j in range(3)]
        posteriors[name] = Posterior(weights, *parts)
    scales = [model.scales(z) for z in points]
    components = {
        name: float(weights @ np.array([getattr(s, name) for s in scales]))
        for name in (*model.names, "noise")
    }
    return Hierarchy(machines, crops, components, **posteriors)


def _answers(model: _Model, s: _Scales, of_crops: Array) -> list[tuple[Array, Array, Array]]:
    """Means, variances and freedoms of all kinds of answers at one point, in the order of ``Hierarchy``."""
    at = model.solve(s)
    n = model.settings
    mean, covariance = at.joint()
    maps = at.map(at.paths, s.machine)
    here_mean = np.einsum("fij,fj->fi", maps, mean[model.machine])
    here_cov = maps @ covariance[model.machine] @ maps.transpose(0, 2, 1)
    x, xg = model.x, model.xgb[:, :, : n + 1]
    xt = x.transpose(0, 2, 1)
    inverse = np.linalg.inv(at.w)
    noise = s.noise * model.v
    # How the answers move with the field's own estimates, through mu and w.
    through = here_cov @ xg.transpose(0, 2, 1) @ inverse

    def of(gain: Array, prior: Array, left: Array) -> tuple[Array, Array, Array]:
        """prior (f, r, s + 1): by mu and w. gain (f, r, k): by the residual. left (f, r): variance left."""
        by = prior - gain @ xg
        means = np.einsum("fri,fi->fr", by, here_mean) + np.einsum("frk,fk->fr", gain, model.b)
        variances = left + np.einsum("fri,fij,frj->fr", by, here_cov, by, optimize=True)
        total = gain + by @ through
        of_noise = np.einsum("frk,fkl,frl->fr", total, noise, total, optimize=True)
        share = of_noise / np.maximum(variances, 1e-300)
        freedom = np.broadcast_to(model.freedom[:, None], share.shape) / np.maximum(share, 1e-3) ** 2
        return means, variances, freedom

    gain = at.between @ inverse
    without_w = np.concatenate([x, np.zeros((*x.shape[:2], 1))], axis=2)
    left = np.diagonal(at.between - gain @ at.between, axis1=1, axis2=2)
    changes = of(gain, without_w, left)
    real = np.concatenate([np.arange(f.estimates.size) + i * x.shape[1] for i, f in enumerate(model.fields)])
    changes = tuple(a.reshape(-1)[real] for a in changes)
    by_field = s.field**2 * xt @ inverse
    eye = np.broadcast_to(np.eye(n, n + 1), (len(x), n, n + 1))
    left = s.field**2 * (1 - np.diagonal(by_field @ x, axis1=1, axis2=2))
    fields = tuple(a.reshape(-1) for a in of(by_field, eye, left))

    terms = np.array([s.setting] + [s.crop] * len(model.crops) + [s.year] * len(model.years))
    down = xg.transpose(0, 2, 1) @ inverse
    machine_maps = at.map(of_crops[:-1] * terms, s.machine)[:, :n]
    machine_means = np.einsum("cij,mj->mci", machine_maps, mean)
    machine_vars = np.einsum("cij,mjk,cik->mci", machine_maps, covariance, machine_maps, optimize=True)
    season_maps = at.map(of_crops * terms, 0.0)[:, :n]
    season_means = np.einsum("cij,j->ci", season_maps, mean[0])
    season_vars = np.einsum("cij,jk,cik->ci", season_maps, covariance[0], season_maps, optimize=True)
    machine_free, season_free = np.zeros_like(machine_means), np.zeros_like(season_means)
    for f in range(len(model.fields)):
        m = model.machine[f]
        to_field = covariance[m] @ maps[f].T @ down[f]
        for kind, variances, free, where in (
            (machine_maps, machine_vars[m], machine_free, m),
            (season_maps, season_vars, season_free, slice(None)),
        ):
            g = kind @ to_field
            share = np.einsum("cik,kl,cil->ci", g, noise[f], g) / np.maximum(variances, 1e-300)
            free[where] += share**2 / model.freedom[f]
    machine_free, season_free = (1 / np.maximum(free, 1e-6) for free in (machine_free, season_free))
    on_machines = tuple(a.reshape(-1) for a in (machine_means, machine_vars, machine_free))
    seasons = tuple(a.reshape(-1) for a in (season_means, season_vars, season_free))
    beyond = s.field**2
    far = s.field**2 + s.machine**2 + s.year**2

    def wider(one: tuple[Array, ...], by: float) -> tuple[Array, ...]:
        kept = (one[1] / np.maximum(one[1] + by, 1e-300)) ** 2
        return one[0], one[1] + by, one[2] / np.maximum(kept, 1e-6)

    return [changes, fields, on_machines, wider(on_machines, beyond), seasons, wider(seasons, far)]


def explore(loglik: Callable[[Array], float], dimensions: int) -> tuple[Array, Array]:
    """Points (q, d) and weights (q,) of a posterior whose prior is standard normal in each dimension.

    Importance sampling from a normal proposal: first that of Laplace's approximation at the mode, then one with the
    moments found (Bugallo et al. 2017, IEEE Signal Processing Magazine 34(4):60-79). The points are those of a
    low-discrepancy sequence, so that the same estimates always give the same answer.
    """
    from scipy.optimize import minimize

    def loss(z: Array) -> float:
        return 0.5 * float(z @ z) - loglik(z)

    options = {"gtol": 0.05, "maxiter": 30, "eps": 1e-3}
    centre: Array = minimize(loss, np.zeros(dimensions), method="BFGS", options=options).x
    covariance = _laplace(loss, centre)
    base = _spread_points(POINTS, dimensions)
    for _ in range(ROUNDS):
        root = np.asarray(np.linalg.cholesky(WIDER**2 * covariance), dtype=np.float64)
        points = centre + base @ root.T
        log_weight = 0.5 * (base**2).sum(axis=1) - np.array([loss(z) for z in points])
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        centre = weight @ points
        apart = points - centre
        # A little of the prior keeps the proposal from collapsing where few points count.
        covariance = 0.95 * (weight[:, None] * apart).T @ apart + 0.05 * np.eye(dimensions)
    return points, weight


def _laplace(loss: Callable[[Array], float], mode: Array) -> Array:
    """Inverse of the Hessian of ``loss`` at its minimum, by differences; nowhere wider than the prior."""
    step = 0.2
    steps = step * np.eye(mode.size)
    here = loss(mode)
    ahead, back = (np.array([loss(mode + sign * one) for one in steps]) for sign in (1, -1))
    hessian = np.diag(ahead + back - 2 * here)
    for i in range(mode.size):
        for k in range(i):
            both = loss(mode + steps[i] + steps[k]) - ahead[i] - ahead[k] + here
            hessian[i, k] = hessian[k, i] = both
    values, vectors = np.linalg.eigh(hessian / step**2)
    return np.asarray(vectors / np.maximum(values, 1.0) @ vectors.T)


def _spread_points(many: int, dimensions: int) -> Array:
    """Normal points of an additive recurrence with the generalised golden ratio (Roberts 2018), (many, d).

    Their mean and covariance are exactly those of independent standard normals.
    """
    from scipy.special import ndtri

    ratio = 2.0
    for _ in range(60):
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    step = ratio ** -np.arange(1.0, dimensions + 1)
    points = ndtri((0.5 + np.arange(1, many + 1)[:, None] * step) % 1.0)
    points -= points.mean(axis=0)
    return np.asarray(
        np.linalg.solve(np.linalg.cholesky(np.cov(points.T, ddof=0).reshape(dimensions, -1)), points.T).T
    )
