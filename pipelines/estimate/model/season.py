"""All field jobs of a season together: one noise per outcome, then every field's effects under it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import LOSSES, Design, build_design
from chaffinch.pipelines.estimate.model.bin_means import apart
from chaffinch.pipelines.estimate.model.change_points import ChangePoint, scan_change_points
from chaffinch.pipelines.estimate.model.covariance import Observations, independent_rows
from chaffinch.pipelines.estimate.model.fit import (
    DriftPrior,
    Fit,
    drift_deviances,
    fit_drift_prior,
    fit_effects,
    season_freedom,
)
from chaffinch.pipelines.estimate.model.ground import ground_basis
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.estimate.model.noise_fit import by_noise, curvature, fit_noise, with_ground
from chaffinch.pipelines.estimate.model.placebo import Placebos, PlaceboSteps, check_ranges, placebo_steps
from chaffinch.pipelines.estimate.model.rises import ROSE, rise_scores
from chaffinch.pipelines.estimate.model.speed_after_loss import speed_after_loss

# A dozen fields fix the noise of a season well enough: ranges then vary by a twentieth, which the degrees of freedom
# allow for.
MOST_FIELDS_FOR_NOISE = 12
# The other outcomes are many, and their fits nearly always need the cosines of the ground, which are slow.
MOST_FIELDS_BESIDE_LOSSES = 8
FIELDS_AT_FIRST = (2, 6)
# A bin further than this many standard deviations from its prediction by the earlier bins is a burst or a fault: its
# variance is raised until it is just this far.
FAR_OFF = 3.0
# Changes were made because the outcome had spiked when the minutes before them score above this.
SPIKE_SCORE = 3.0
# Loss that rises minutes before a change and falls back with it is either a spike that called for the change or an
# unlogged change that the logged one undid.
BESIDE_S = 600.0
EVE_S = 180.0
FARM_WIDE = "farm: "
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Witness:
    """What one field job says of the season, under its noise.

    fit : as ``FieldOutcome`` has it, before placebos of the season widened it. placebos : on the log scale. spike :
    of ``_spike``. steering : of ``speed_after_loss``. slope (m,), curvature (m, m) : of its deviance by the logs of
    the noise's parameters, where the noise was not fitted with it.
    """

    fit: Fit
    placebos: PlaceboSteps
    spike: tuple[float, float]
    steering: tuple[float, float] = (0.0, 0.0)
    slope: Array | None = None
    curvature: Array | None = None


@dataclass(frozen=True, slots=True)
class FieldOutcome:
    """One outcome of one field job, fitted. ``fit`` is on the log scale, as logged. ``design`` is without its
    columns, which would be most of a season's memory.

    change_points : unlogged, of losses only, allowed for by the fit. loadings : by the name of an unknown common to
    the machine, (p,) what one standard deviation of it adds to the coefficients; its square is in the covariance. An
    unknown whose name begins with ``FARM_WIDE`` is common to all machines. doubts : codes of what is not known of the
    signal; change_doubts : by change. rises : by change, score of the rise of loss in the minute before it.
    witness : its evidence about the season's noise, to be kept.
    """

    binned: Binned
    outcome: str
    design: Design
    fit: Fit
    change_points: tuple[ChangePoint, ...] = ()
    loadings: Mapping[str, Array] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()
    change_doubts: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    rises: Mapping[int, float] = field(default_factory=dict)
    witness: Witness | None = None

    def doubts_of(self, k: int) -> tuple[str, ...]:
        """Codes that concern change ``k``."""
        return (*self.doubts, *self.change_doubts.get(k, ()))

    def with_unknown(self, name: str, loading: Array) -> FieldOutcome:
        """The outcome with one more unknown; ``loading`` (p,) as in ``loadings``."""
        fit = self.fit
        wider = Fit(fit.coefficients, fit.covariance + np.outer(loading, loading), fit.freedom)
        return replace(self, fit=wider, loadings={**self.loadings, name: loading})

    def nearest_change_point_s(self, k: int) -> float:
        """Seconds between change ``k`` and the nearest unlogged change point; infinite where there are none."""
        change = self.binned.changes[k]
        apart = [max(change.first_s - s.time_s, s.time_s - change.last_s, 0.0) for s in self.change_points]
        return min(apart, default=float("inf"))


def near_change_point(fits: Iterable[FieldOutcome | None], k: int) -> bool:
    """Whether change ``k`` is too close to a change point in any of ``fits`` of a field job to be separated.

    What moves one loss moves the others, though it may not be as clear there.
    """
    return any(f.nearest_change_point_s(k) < BESIDE_S for f in fits if f is not None)


@dataclass(frozen=True, slots=True)
class SeasonOutcome:
    """One outcome of a season. ``noise`` is relative to each field's own fast noise.

    reacted : changes came when the outcome had just spiked. drift, freedom : how fields differ from the noise, and
    with how many degrees of freedom it is known. placebo_steps : by machine, steps estimated at moments without a
    change, log scale. first : the noise by which bursts and drift of the ground were found. curvature : of the
    deviance by the logs of the noise's parameters, at the fields that it was fitted to.
    """

    outcome: str
    fields: list[FieldOutcome]
    noise: Noise | None
    placebos: Placebos
    reacted: bool
    drift: DriftPrior = DriftPrior(0.0, 0.0)
    freedom: float = float("inf")
    placebo_steps: Mapping[str, Array] = field(default_factory=dict)
    first: Noise | None = None
    curvature: Array | None = None


FitsOf = Mapping[tuple[int, str], FieldOutcome]
"""By ``id`` of the bins of a field job, and outcome."""


def fits_of(season: Mapping[str, SeasonOutcome]) -> FitsOf:
    """The fits of a season by field job and outcome."""
    return {(id(f.binned), name): f for name, outcome in season.items() for f in outcome.fields}


def fit_outcome(fields: Sequence[Binned], outcome: str) -> SeasonOutcome:
    """Fit one outcome over all field jobs that know it."""
    known = noise_of_season(fields_for_noise(fields, outcome), outcome)
    fitted = [fit_under(binned, known) for binned in fields if outcome in binned.outcomes]
    return with_fields(known, [f for f in fitted if f is not None])


def fields_for_noise(fields: Sequence[Binned], outcome: str) -> list[Binned]:
    """The field jobs to which the noise of an outcome is fitted, at most ``most_for_noise``."""
    known = [b for b in fields if outcome in b.outcomes and np.isfinite(b.outcomes[outcome]).any()]
    return _spread_out(known, most_for_noise(outcome), lambda b: int(np.isfinite(b.outcomes[outcome]).sum()))


def noise_of_season(fields: Sequence[Binned], outcome: str) -> SeasonOutcome:
    """What a season says of the noise of an outcome, by the ``fields_for_noise`` of it; without its fields."""
    parts = _parts(fields, outcome)
    if not parts:
        return SeasonOutcome(outcome, [], None, Placebos.none(), False)
    # Good enough to find bursts and drift of the ground; the final fit follows.
    few, more = (_spread_out(parts, most, lambda p: p.observed.time_s.size) for most in FIELDS_AT_FIRST)
    first = fit_noise(
        [p.observed for p in more], fit_noise([p.observed for p in few], within=2.0), within=1.0
    )
    first = with_ground([_on_ground(p).observed for p in more], first)
    if first.ground_variance > 0:
        parts = [_on_ground(p) for p in parts]
    parts = [replace(p, observed=without_bursts(p.observed, first)) for p in parts]
    noise = fit_noise([p.observed for p in parts], first, within=0.1)
    if any(scans := [_scan(p, outcome, noise) for p in parts]):
        # Without the steps the noise is smaller, and more of them may be found.
        stepped = [_allowing_for(part, scan) for part, scan in zip(parts, scans, strict=True)]
        noise = fit_noise([p.observed for p in stepped], noise, within=0.1)
        scans = [_scan(p, outcome, noise) for p in parts]
    observed = [_allowing_for(part, scan).observed for part, scan in zip(parts, scans, strict=True)]
    drift = fit_drift_prior(np.array([drift_deviances(one, noise) for one in observed]))
    freedom, bent = season_freedom(observed, noise), curvature(observed, noise)
    return SeasonOutcome(
        outcome, [], noise, Placebos.none(), False, drift, freedom, first=first, curvature=bent
    )


def most_for_noise(outcome: str) -> int:
    """To how many field jobs the noise of an outcome is fitted at most."""
    return MOST_FIELDS_FOR_NOISE if outcome in LOSSES else MOST_FIELDS_BESIDE_LOSSES


def with_fields(known: SeasonOutcome, fields: Sequence[FieldOutcome]) -> SeasonOutcome:
    """The season of ``fields``, all fitted under the noise of ``known``; placebos and spikes are theirs."""
    said = [f.witness for f in fields if f.witness is not None]
    by_machine: dict[str, list[Array]] = defaultdict(list)
    for f in fields:
        if f.witness is not None:
            by_machine[f.binned.machine].append(f.witness.placebos.steps)
    scores, after_rise = (
        np.concatenate([np.empty(0), *(getattr(one.placebos, of) for one in said)])
        for of in ("scores", "after_rise")
    )
    checked = check_ranges(scores, after_rise if known.outcome in LOSSES else None)
    weighted, information = (sum(one.spike[i] for one in said) for i in (0, 1))
    return replace(
        known,
        fields=[_after_rises(f, checked) for f in fields],
        placebos=checked,
        reacted=bool(information > 0 and weighted / np.sqrt(information) > SPIKE_SCORE),
        placebo_steps={machine: np.concatenate(some) for machine, some in by_machine.items()},
    )


def fit_under(binned: Binned, known: SeasonOutcome, new: bool = False) -> FieldOutcome | None:
    """One field job under the noise of a season; None where it hardly knows the outcome.

    new : also find the gradient and curvature of its deviance, in case the noise has to be fitted again.
    """
    if (ready := _ready(binned, known)) is None or known.noise is None:
        return None
    fitted = _with_witness(*ready, known)
    if not new:
        return fitted
    assert fitted.witness is not None
    slope, bent = by_noise([ready[0].observed], known.noise)
    return replace(fitted, witness=replace(fitted.witness, slope=slope, curvature=bent))


def fit_moved(binned: Binned, known: SeasonOutcome, noise: Noise) -> FieldOutcome | None:
    """One field job as ``fit_under`` has it, but with its effects under another ``noise``."""
    if (ready := _ready(binned, known)) is None:
        return None
    return _fitted(ready[0], replace(known, noise=noise), ready[1])


def _ready(
    binned: Binned, known: SeasonOutcome
) -> tuple[FieldPart, tuple[ChangePoint, ...], tuple[float, float]] | None:
    """One field job before its fit, its scan, and its part in spikes."""
    noise, first, parts = known.noise, known.first, _parts([binned], known.outcome)
    if noise is None or first is None or not parts:
        return None
    part = _on_ground(parts[0]) if first.ground_variance > 0 else parts[0]
    spike = _spike(part, first)
    part = replace(part, observed=without_bursts(part.observed, first))
    scan = _scan(part, known.outcome, noise)
    return _allowing_for(part, scan), scan, spike


def _with_witness(
    part: FieldPart, scan: Sequence[ChangePoint], spike: tuple[float, float], known: SeasonOutcome
) -> FieldOutcome:
    assert known.noise is not None
    tested = placebo_steps(part.observed, known.noise, part.design.steps)
    fitted = _fitted(part, known, scan)
    witness = Witness(fitted.fit, replace(tested, steps=tested.steps * part.scale), spike)
    if known.outcome in LOSSES:
        use = part.design.use
        rest = part.binned.outcomes[known.outcome][use] - part.design.columns @ fitted.fit.coefficients
        witness = replace(witness, steering=speed_after_loss(part.binned, use, rest))
    return replace(fitted, witness=witness)


def prepare_alone(binned: Binned, season: SeasonOutcome) -> FieldPart | None:
    """One field job ready to be fitted under the season's noise; None where it does not know the outcome."""
    noise, parts = season.noise, _parts([binned], season.outcome)
    if noise is None or not parts:
        return None
    part = _on_ground(parts[0]) if noise.ground_variance > 0 else parts[0]
    return replace(part, observed=without_bursts(part.observed, noise))


@dataclass(frozen=True, slots=True)
class FieldPart:
    """One field job before its fit. ``observed`` is in units of ``scale``, its own fast noise."""

    binned: Binned
    design: Design
    observed: Observations
    scale: float


def _scan(part: FieldPart, outcome: str, noise: Noise) -> tuple[ChangePoint, ...]:
    return scan_change_points(part.observed, noise) if outcome in LOSSES else ()


def _allowing_for(part: FieldPart, steps: Sequence[ChangePoint]) -> FieldPart:
    """The part with a column for each unlogged change point, after the known ones."""
    if not steps:
        return part
    index = np.arange(part.observed.time_s.size)
    columns = np.column_stack([part.design.columns, *[(index >= s.index).astype(float) for s in steps]])
    names = (*part.design.names, *(f"not logged {i}" for i in range(len(steps))))
    design = replace(part.design, columns=columns, names=names)
    return replace(part, design=design, observed=replace(part.observed, design=columns))


def _fitted(part: FieldPart, known: SeasonOutcome, steps: Sequence[ChangePoint]) -> FieldOutcome:
    assert known.noise is not None
    fit = _rescaled(fit_effects(part.observed, known.noise, known.drift, known.freedom), part.scale)
    found = (replace(s, estimate=s.estimate * part.scale, error=s.error * part.scale) for s in steps)
    rises = _rises(part, known.noise) if known.outcome in LOSSES else {}
    design = part.design.without_columns()
    return FieldOutcome(part.binned, known.outcome, design, fit, tuple(found), rises=rises)


def _after_rises(fitted: FieldOutcome, checked: Placebos) -> FieldOutcome:
    """With larger errors of the changes before which loss had risen, as placebos at such moments have them."""
    factor = checked.widen_after_rise / checked.widen
    fit = fitted.witness.fit if fitted.witness is not None else fitted.fit
    errors = np.ones(fit.coefficients.size)
    for k, rise in fitted.rises.items():
        if rise > ROSE:
            errors[fitted.design.names.index(f"step {k}")] = factor
    return replace(fitted, fit=replace(fit, covariance=fit.covariance * np.outer(errors, errors)))


def _rises(part: FieldPart, noise: Noise) -> dict[int, float]:
    """By change, the score of the rise of loss just before it."""
    if not part.design.steps:
        return {}
    scores = rise_scores(part.observed, noise)
    return {
        k: float(scores[int(np.argmax(part.design.columns[:, i] > 0.5))])
        for i, k in enumerate(part.design.steps)
    }


def _parts(fields: Sequence[Binned], outcome: str) -> list[FieldPart]:
    found = []
    for binned in fields:
        if outcome not in binned.outcomes:
            continue
        design = build_design(binned, outcome)
        if design is not None:
            found.append(FieldPart(binned, design, *_observations(binned, design, outcome)))
    return found


def _spike(part: FieldPart, noise: Noise) -> tuple[float, float]:
    """The mean outcome in the minutes before changes against the prediction from the rest: weighted, and its
    information, which sum over fields; together they give a score.

    Well above zero, changes were made because the outcome had spiked. An operator knows only the past, all of
    which is in the fit; given the noise, the fading of the spike is predicted too, so nothing has to be left out
    (leaving out the minutes around changes was tried and costs precision). The reader is warned, since a
    comparison of means would mislead.
    """
    eve = part.binned.before_change(EVE_S)[part.design.use].astype(float)
    if eve.sum() < 3:
        return 0.0, 0.0
    rows = independent_rows(part.observed, noise, eve[:, None])
    basis, _ = np.linalg.qr(rows.x[:, :-1])
    rest = rows.x[:, -1] - basis @ (basis.T @ rows.x[:, -1])
    return float(rest @ rows.y), float(rest @ rest)


def _observations(binned: Binned, design: Design, outcome: str) -> tuple[Observations, float]:
    """The observations in units of their own fast noise, and that unit on the log scale."""
    time_s, y = binned.time_s[design.use], binned.outcomes[outcome][design.use]
    fitted, *_ = np.linalg.lstsq(design.columns, y, rcond=None)
    jumps = np.diff(y - design.columns @ fitted)
    scale = float(1.4826 * np.median(np.abs(jumps)) / np.sqrt(2)) or 1.0
    seconds = binned.seconds[design.use]
    return Observations(time_s, design.columns, y / scale, 1 / seconds, seconds=apart(time_s, seconds)), scale


def _on_ground(part: FieldPart) -> FieldPart:
    """The part with the ground's cosines, where positions are known."""
    use = part.design.use
    ground = ground_basis(part.binned.east_m[use], part.binned.north_m[use])
    return replace(part, observed=replace(part.observed, ground=ground))


def _rescaled(fit: Fit, scale: float) -> Fit:
    return Fit(fit.coefficients * scale, fit.covariance * scale**2, fit.freedom)


def _spread_out(some: Sequence[T], most: int, size: Callable[[T], int]) -> list[T]:
    """At most ``most`` of them, spread evenly over the season, the largest of each part of it."""
    if len(some) <= most:
        return list(some)
    groups = np.array_split(np.arange(len(some)), most)
    return [some[max(group, key=lambda i: size(some[i]))] for group in groups]


def without_bursts(observed: Observations, noise: Noise) -> Observations:
    """The observations with the white variance of far-off bins raised (a Huber-like weight; common practice)."""
    rows = independent_rows(observed, noise)
    fitted, *_ = np.linalg.lstsq(rows.x, rows.y, rcond=None)
    surprise = (rows.y - rows.x @ fitted)[: observed.time_s.size]
    extra = rows.factored.diagonal * np.maximum((surprise / FAR_OFF) ** 2 - 1, 0)
    return replace(observed, white=observed.white + extra / noise.second_variance)
