"""The hierarchical model against the same model written out as one dense normal distribution, and its draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results import spread_draws
from chaffinch.pipelines.estimate.results.hierarchy import answers, fit_hierarchy
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates, NestedTerms, Spreads
from chaffinch.pipelines.estimate.results.spread_draws import PRIOR_SCALES
from scipy import stats

# Of three settings, all unlike.
SIZES = np.array([1.0, 0.3, 2.0])
SPREADS = Spreads(
    setting=0.3 * SIZES,
    field=np.array([0.12, 0.2, 0.05]),
    change=0.06 * SIZES,
    machine=0.1 * SIZES,
    crop=np.array([0.15, 0.0, 0.1]),
    year=0.07 * SIZES,
    unknown=0.3,
    noise=1.3,
    w=np.array([[0.8, 0.3], [-0.5, 1.1]]),
)
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
                rng.normal(0, 0.2, (many, 2)),
                30.0,
                (np.arange(many) == many - 1) * float(unknown),
            )
        )
    return found


class Dense:
    """All terms in one vector: theta, crops, years, machines, w of machines, fields, single changes."""

    def __init__(self, some: list[FieldEstimates], s: Spreads) -> None:
        self.s, self.places, size = s, {}, 0
        names = [("theta", 3)]
        names += [(f"crop {c}", 3) for c in sorted(set(CROPS))] + [
            (f"year {y}", 3) for y in sorted(set(YEARS))
        ]
        names += [(f"machine {m}", 3) for m in "AB"]
        names += [(f"field {i}", 3) for i in range(5)] + [
            (f"change {i}", f.estimates.size) for i, f in enumerate(some)
        ]
        for name, many in names:
            self.places[name] = slice(size, size + many)
            size += many
        prior = np.ones(size)
        for name, scale in (("theta", s.setting), ("crop", s.crop), ("year", s.year), ("machine", s.machine),
                            ("field", s.field)):  # fmt: skip
            for place in (at for key, at in self.places.items() if key.startswith(name)):
                prior[place] = np.asarray(scale) ** 2
        rows, noise = [], []
        for i, f in enumerate(some):
            prior[self.places[f"change {i}"]] = f.doses**2 @ s.change**2 + s.unknown**2 * f.unknown
            row = np.zeros((f.estimates.size, size))
            for name in ("theta", f"crop {f.crop}", f"year {f.year}", f"machine {f.machine}", f"field {i}"):
                row[:, self.places[name]] = f.doses
            row[:, self.places[f"change {i}"]] = np.eye(f.estimates.size)
            noise.append(s.noise * f.covariance)
            rows.append((row, f))
        effects = np.vstack([row for row, _ in rows])
        from scipy.linalg import block_diag

        marginal = effects * prior @ effects.T + block_diag(*noise)
        b = np.concatenate([f.estimates - f.loadings @ s.w["AB".index(f.machine)] for f in some])
        gain = (prior[:, None] * effects.T) @ np.linalg.inv(marginal)
        self.mean, self.covariance = gain @ b, np.diag(prior) - gain @ effects * prior
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
    solved, dense = NestedTerms(some).solve(SPREADS), Dense(some, SPREADS)
    of_crops = np.array([[1, 1, 0, 0.2, 0.8], [1, 0, 1, 0.2, 0.8], [1, 0.5, 0.5, 0.2, 0.8]])
    found = answers(solved, of_crops)
    changes, in_fields, on_machines, seasons = (
        found[name] for name in ("changes", "fields", "on_machines", "seasons")
    )
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
    model, other = NestedTerms(some), replace(SPREADS, field=0.3 * SIZES, machine=0.02 * SIZES, noise=0.8)
    ours = model.solve(other).loglik - model.solve(SPREADS).loglik
    assert ours == pytest.approx(Dense(some, other).loglik - Dense(some, SPREADS).loglik, abs=1e-8)


def test_draws_of_all_terms_have_the_moments_of_the_dense_normal():
    """2000 draws: means within five of their standard errors, variances within a fifth (chance below 1e-6 each)."""
    some = fields(np.random.default_rng(), unknown=True)
    model, dense = NestedTerms(some), Dense(some, SPREADS)
    solved, rng = model.solve(SPREADS), np.random.default_rng()
    drawn = []
    for _ in range(2000):
        one = solved.draw(rng)
        mu = model.paths @ (solved.by_term * one.top) + (SPREADS.machine * one.machines)[model.machine]
        steps = (mu + SPREADS.field * one.fields)[:, None, :] + SPREADS.change * one.changes
        effects = (model.x * steps).sum(axis=2) + SPREADS.unknown * np.sqrt(model.unknown) * one.unknown
        drawn.append(effects[model.real])
    variances = np.einsum("ij,jk,ik->i", dense.effects, dense.covariance, dense.effects)
    apart = (np.mean(drawn, axis=0) - dense.effects @ dense.mean) / np.sqrt(variances / 2000)
    assert np.abs(apart).max() < 5
    np.testing.assert_allclose(np.var(drawn, axis=0), variances, rtol=0.2)


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
            0 * one[:, None],
            np.inf,
            0 * one,
        )
        for e in effects
    ]


def test_draws_are_those_of_a_fine_grid(monkeypatch):
    """Eight fields; the posterior of the mean over a grid of the four scales, by the plain formulas. The mean of one
    chain is off by 0.003 (standard deviation of 60 chains), so sixteen are taken together, and may be five standard
    errors off."""
    effects, error = np.array([0.28, 0.08, -0.03, 0.07, -0.01, 0.01, 0.18, 0.12]), 0.12
    chains = []
    for seed in np.random.SeedSequence().generate_state(16):
        monkeypatch.setattr(spread_draws, "SEED", int(seed))
        chains.append(fit_hierarchy(alone(list(effects), error)))
    # Size with a square of beta prime (1/4, 1/2), log-normal usual effect, half-normal spreads.
    size = 2.0 ** np.linspace(-7, 3, 41)[:, None, None, None]
    usual = np.linspace(-3, 3, 25)[None, :, None, None]
    field = ((np.arange(30) + 0.5) / 10 * PRIOR_SCALES["field"])[None, None, :, None]
    change = ((np.arange(30) + 0.5) / 10 * PRIOR_SCALES["change"])[None, None, None, :]
    weight = 2 * size**2 * stats.betaprime.pdf(size**2, 0.25, 0.5) * stats.norm.pdf(usual)
    weight = weight * stats.norm.pdf(field / PRIOR_SCALES["field"])
    weight = weight * stats.norm.pdf(change / PRIOR_SCALES["change"])
    v = error**2 + size**2 * (field**2 + change**2)
    each, mean, prior = v / 8, effects.mean(), (0.3 * size * np.exp(usual)) ** 2
    weight = weight * v**-3.5 * np.exp(-0.5 * ((effects - mean) ** 2).sum() / v)
    weight = weight * stats.norm.pdf(mean, 0, np.sqrt(each + prior))
    weight /= weight.sum()
    kept = prior / (prior + each)
    exact = float((weight * kept).sum() * mean)
    means, errors, weights = (
        a.ravel() for a in np.broadcast_arrays(kept * mean, np.sqrt(kept * each), weight)
    )

    def below(x: float) -> float:
        return float(weights @ stats.norm.cdf(x, means, errors))

    assert np.mean([one.seasons.mean()[0] for one in chains]) == pytest.approx(exact, abs=0.003)
    for level in (0.025, 0.975):
        # Within a twelfth of a standard deviation.
        ends = [below(one.seasons.quantile(level)[0]) for one in chains]
        assert np.mean(ends) == pytest.approx(level, abs=0.005)
    variance = float((weight * size**2 * field**2).sum())
    assert np.mean([one.variances["field"][0] for one in chains]) == pytest.approx(variance, rel=0.15)


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
    # Nothing pulls an effect to one side: the answer of the mirrored season is mirrored, but for other draws.
    mirrored = fit_hierarchy(alone([-0.2] * 12, 0.15)).changes
    np.testing.assert_allclose(mirrored.mean(), -many.mean(), atol=0.006)


def test_what_is_unknown_of_a_machine_does_not_average_away_over_its_fields():
    """Fields that scatter as their errors say; loadings of 0.3 with one unknown for all leave doubt of that order."""
    rng = np.random.default_rng(4)
    some = alone(list(0.4 + 0.05 * rng.standard_normal(30)), 0.05)
    doubtful = [replace(f, loadings=np.array([[0.3]])) for f in some]
    known, few, many = (fit_hierarchy(fields).seasons for fields in (some, doubtful[:8], doubtful))
    width = [float(p.quantile(0.975)[0] - p.quantile(0.025)[0]) for p in (known, few, many)]
    assert width[0] < 0.1
    assert width[2] > 0.9 * 2 * 1.96 * 0.3
    assert width[1] == pytest.approx(width[2], rel=0.25)
    # What is unknown of all machines does not average away over machines; what is of each does.
    four = [replace(f, machine="ABCD"[i % 4]) for i, f in enumerate(doubtful)]
    farm_wide = [replace(f, common=np.array([True])) for f in four]
    apart, alike = (fit_hierarchy(fields).seasons.quantile(0.975)[0] - 0.4 for fields in (four, farm_wide))
    assert alike > 1.2 * apart
    # The estimates cannot tell w, however small it would make the effects.
    assert many.mean()[0] == pytest.approx(0.4, abs=0.05)
