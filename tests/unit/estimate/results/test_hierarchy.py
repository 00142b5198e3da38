"""The hierarchical model against the same model written out as one dense normal distribution, and its quadrature."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.hierarchy import (
    PRIOR_SCALES,
    FieldEstimates,
    Posterior,
    _answers,
    _Model,
    _Scales,
    explore,
    fit_hierarchy,
)
from scipy import stats

SCALES = _Scales(setting=0.3, field=0.12, change=0.06, machine=0.1, crop=0.15, year=0.07, noise=1.3)
MACHINES = ("A", "B", "A", "B", "A")
CROPS = ("wheat", "wheat", "barley", "barley", "wheat")
YEARS = (2025, 2026, 2026, 2026, 2026)


def fields(rng: np.random.Generator, unknown: bool = False) -> list[FieldEstimates]:
    """Five fields of one to four changes of three settings; the first change of each moves two settings."""
    found = []
    for machine, crop, year, many in zip(MACHINES, CROPS, YEARS, (3, 1, 4, 2, 3), strict=True):
        doses = np.zeros((many, 3))
        doses[np.arange(many), rng.integers(3, size=many)] = rng.choice([-2.0, -1.0, 1.0], many)
        doses[0] = [1.0, -1.0, 0.0]
        root = rng.normal(size=(many, many))
        found.append(
            FieldEstimates(
                machine,
                crop,
                year,
                rng.normal(0, 0.4, many),
                0.02 * (root @ root.T + np.eye(many)),
                doses,
                rng.normal(0, 0.2, many),
                30.0,
                (doses**2).sum(axis=1),
                (np.arange(many) == many - 1) * float(unknown),
            )
        )
    return found


class Dense:
    """All terms in one vector: theta, crops, years, machines, w of machines, fields, single changes."""

    def __init__(self, some: list[FieldEstimates], s: _Scales) -> None:
        self.s, self.places, size = s, {}, 0
        names = [("theta", 3)]
        names += [(f"crop {c}", 3) for c in sorted(set(CROPS))] + [
            (f"year {y}", 3) for y in sorted(set(YEARS))
        ]
        names += [(f"machine {m}", 3) for m in "AB"] + [(f"w {m}", 1) for m in "AB"]
        names += [(f"field {i}", 3) for i in range(5)] + [
            (f"change {i}", f.sizes.size) for i, f in enumerate(some)
        ]
        for name, many in names:
            self.places[name] = slice(size, size + many)
            size += many
        prior = np.ones(size)
        for name, scale in (("theta", s.setting), ("crop", s.crop), ("year", s.year), ("machine", s.machine),
                            ("field", s.field)):  # fmt: skip
            for place in (at for key, at in self.places.items() if key.startswith(name)):
                prior[place] = scale**2
        rows, noise = [], []
        for i, f in enumerate(some):
            prior[self.places[f"change {i}"]] = s.change**2 * f.sizes + s.setting**2 * f.unknown
            row = np.zeros((f.sizes.size, size))
            for name in ("theta", f"crop {f.crop}", f"year {f.year}", f"machine {f.machine}", f"field {i}"):
                row[:, self.places[name]] = f.doses
            row[:, self.places[f"change {i}"]] = np.eye(f.sizes.size)
            noise.append(s.noise * f.covariance)
            rows.append((row, f))
        effects = np.vstack([row for row, _ in rows])
        seen = effects.copy()
        at = 0
        for row, f in rows:
            seen[at : at + len(row), self.places[f"w {f.machine}"]] = f.loadings[:, None]
            at += len(row)
        from scipy.linalg import block_diag

        marginal = seen * prior @ seen.T + block_diag(*noise)
        b = np.concatenate([f.estimates for f in some])
        gain = (prior[:, None] * seen.T) @ np.linalg.inv(marginal)
        self.mean, self.covariance = gain @ b, np.diag(prior) - gain @ seen * prior
        self.effects, self.size = effects, size
        self.loglik = stats.multivariate_normal(np.zeros(b.size), marginal).logpdf(b)

    def of(self, *names: str) -> tuple[np.ndarray, np.ndarray]:
        """Means and variances of the sum of terms, each setting."""
        weights = np.zeros((3, self.size))
        for name, by in (
            (name.split("*")[-1], float(name.split("*")[0]) if "*" in name else 1.0) for name in names
        ):
            weights[:, self.places[name]] += by * np.eye(3)
        return weights @ self.mean, np.einsum("ij,jk,ik->i", weights, self.covariance, weights)


@pytest.mark.parametrize("unknown", [False, True])
def test_answers_are_those_of_the_dense_normal(unknown):
    some = fields(np.random.default_rng(), unknown)
    model, dense = _Model(some, float("inf")), Dense(some, SCALES)
    of_crops = np.array([[1, 1, 0, 0.2, 0.8], [1, 0, 1, 0.2, 0.8], [1, 0.5, 0.5, 0.2, 0.8]])
    changes, in_fields, on_machines, _, seasons, _ = _answers(model, SCALES, of_crops)
    np.testing.assert_allclose(changes[0], dense.effects @ dense.mean, atol=1e-9)
    variances = np.einsum("ij,jk,ik->i", dense.effects, dense.covariance, dense.effects)
    np.testing.assert_allclose(changes[1], variances, atol=1e-9)
    for i, f in enumerate(some):
        mean, variance = dense.of(
            "theta", f"crop {f.crop}", f"year {f.year}", f"machine {f.machine}", f"field {i}"
        )
        np.testing.assert_allclose(in_fields[0].reshape(5, 3)[i], mean, atol=1e-9)
        np.testing.assert_allclose(in_fields[1].reshape(5, 3)[i], variance, atol=1e-9)
    years = ("0.2*year 2025", "0.8*year 2026")
    for c, crop in enumerate(sorted(set(CROPS))):
        mean, variance = dense.of("theta", f"crop {crop}", *years)
        np.testing.assert_allclose(seasons[0].reshape(3, 3)[c], mean, atol=1e-9)
        np.testing.assert_allclose(seasons[1].reshape(3, 3)[c], variance, atol=1e-9)
        mean, variance = dense.of("theta", f"crop {crop}", *years, "machine B")
        np.testing.assert_allclose(on_machines[0].reshape(2, 2, 3)[1, c], mean, atol=1e-9)
        np.testing.assert_allclose(on_machines[1].reshape(2, 2, 3)[1, c], variance, atol=1e-9)


def test_the_likelihood_is_that_of_the_dense_normal_up_to_a_constant():
    some = fields(np.random.default_rng())
    model, other = _Model(some, float("inf")), replace(SCALES, field=0.3, machine=0.02, noise=0.8)
    ours = model.solve(other).loglik - model.solve(SCALES).loglik
    assert ours == pytest.approx(Dense(some, other).loglik - Dense(some, SCALES).loglik, abs=1e-8)


def alone(effects: list[float], error: float) -> list[FieldEstimates]:
    """One step of one setting in each of several fields of one machine."""
    one = np.ones(1)
    return [
        FieldEstimates(
            "A",
            None,
            2026,
            np.array([e]),
            np.array([[error**2]]),
            one[:, None],
            0 * one,
            np.inf,
            one,
            0 * one,
        )
        for e in effects
    ]


def test_quadrature_is_that_of_a_fine_grid():
    """Eight fields; the posterior of the mean over a grid of the three standard deviations, by the plain formulas."""
    effects, error = np.array([0.28, 0.08, -0.03, 0.07, -0.01, 0.01, 0.18, 0.12]), 0.12
    found = fit_hierarchy(alone(list(effects), error))
    setting = np.exp(np.log(0.3) + 0.5 * np.linspace(-3.5, 3.5, 61))
    settings_prior = stats.norm.pdf(np.linspace(-3.5, 3.5, 61))
    field, change = ((np.arange(300) + 0.5) / 60 * PRIOR_SCALES[n] for n in ("field", "change"))
    weight = (
        settings_prior[:, None, None]
        * stats.norm.pdf(field / PRIOR_SCALES["field"])[None, :, None]
        * stats.norm.pdf(change / PRIOR_SCALES["change"])[None, None, :]
    )
    v = error**2 + field[None, :, None] ** 2 + change[None, None, :] ** 2
    each, mean = v / 8, effects.mean()
    prior = setting[:, None, None] ** 2
    weight = weight * v**-3.5 * np.exp(-0.5 * ((effects - mean) ** 2).sum() / v)
    weight = weight * stats.norm.pdf(mean, 0, np.sqrt(each + prior))
    weight /= weight.sum()
    kept = prior / (prior + each)
    exact = float((weight * kept).sum() * mean)
    spread = float(np.sqrt((weight * (kept * each + (kept * mean - exact) ** 2)).sum()))
    assert found.seasons.mean()[0] == pytest.approx(exact, abs=0.004)
    low, high = found.seasons.quantile(0.025)[0], found.seasons.quantile(0.975)[0]
    assert (high - low) / 3.92 == pytest.approx(spread, rel=0.06)
    assert found.components["field"] == pytest.approx(float((weight * field[None, :, None]).sum()), rel=0.08)


def test_importance_points_give_the_moments_of_a_normal_posterior():
    """A likelihood N(2, 0.5^2) in each dimension with a N(0, 1) prior: mean 1.6, variance 0.2.

    The means within a tenth of their standard deviation: what is left moves no range by a hundredth.
    """
    points, weights = explore(lambda z: float(-0.5 * ((z - 2) ** 2).sum() / 0.25), 4)
    mean = weights @ points
    np.testing.assert_allclose(mean, 1.6, atol=0.045)
    np.testing.assert_allclose(weights @ (points - mean) ** 2, 0.2, rtol=0.2)


def test_a_mixture_of_one_t_is_that_t():
    one = Posterior(np.ones(1), np.array([[0.1]]), np.array([[0.04]]), np.array([[7.0]]))
    assert one.quantile(0.975)[0] == pytest.approx(stats.t.ppf(0.975, 7, 0.1, 0.2), abs=1e-6)
    assert one.below(0.0)[0] == pytest.approx(stats.t.cdf(0, 7, 0.1, 0.2))
    double = one.times(-2.0)
    assert double.quantile(0.025)[0] == pytest.approx(-2 * one.quantile(0.975)[0], abs=1e-6)


def test_fields_that_agree_narrow_each_other_and_one_alone_keeps_the_width_of_its_log():
    many = fit_hierarchy(alone([0.2] * 12, 0.15)).changes
    one = fit_hierarchy(alone([0.2], 0.15)).changes
    width = [float(p.quantile(0.975)[0] - p.quantile(0.025)[0]) for p in (many, one)]
    assert width[0] < 0.6 * width[1]
    assert 0.7 * 2 * 1.96 * 0.15 < width[1] <= 2 * 1.96 * 0.15
    # Nothing pulls an effect to one side: the answer of the mirrored season is mirrored.
    mirrored = fit_hierarchy(alone([-0.2] * 12, 0.15)).changes
    np.testing.assert_allclose(mirrored.mean(), -many.mean(), rtol=1e-9)


def test_what_is_unknown_of_a_machine_does_not_average_away_over_its_fields():
    """Loadings of 0.3 with one unknown for all fields leave 0.3 of doubt, however many fields there are."""
    some = [replace(f, loadings=np.array([0.3])) for f in alone([0.4] * 30, 0.05)]
    found = fit_hierarchy(some).seasons
    assert float(found.quantile(0.84)[0] - found.quantile(0.16)[0]) / 2 > 0.15
