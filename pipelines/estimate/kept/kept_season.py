"""A season whose noise is known from an earlier night: only field jobs that are new or changed are fitted.

The noise of a season is fitted again, and everything with it, where it is a week old, where the season has grown by a
tenth, where there is a new kind of outcome, and where the new field jobs would move it so far that their own effects
or errors move by more than ``TOLERANCE`` standard errors. In between an effect is what it would be if the noise were
given: fits are kept by a digest of all that they are made from, so that what is kept and what is fitted now agree
exactly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import blake2b

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.clocks.by_responses import evidence_of_fields
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import PLACES
from chaffinch.pipelines.estimate.kept.unchanged_machines import Basis
from chaffinch.pipelines.estimate.model.noise_fit import noise_moved
from chaffinch.pipelines.estimate.model.season import (
    FieldOutcome,
    SeasonOutcome,
    fit_moved,
    most_for_noise,
)
from chaffinch.pipelines.estimate.model.season_fit import (
    fit_fields,
    fit_season,
    season_noises,
    under_noises,
)
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws
from chaffinch.pipelines.estimate.signals.known_signals import KnownSignals
from chaffinch.pipelines.parallel.fan_out import FanOut

# A smaller season is fitted whole in seconds.
FEWEST_JOBS = 40
LONGEST = timedelta(days=7)
MOST_GROWTH = 1.1
# Of a standard error: how far effects of new field jobs, or their errors, may move by what these say of the noise;
# root mean square of the worst outcome.
TOLERANCE = 0.1
MOST_TRIED = 3
AS_LOGGED = "as logged"

Place = tuple[str, str | None, float]
"""Machine, field and first moment of a field job."""


@dataclass
class KeptSeason:
    """What was fitted in earlier nights, and, after a night, what is to be kept of it.

    fitted_at : when the noise was fitted. places : the field jobs that it knows. known : noise of each outcome, by
    stage of the estimate (``as logged``, and after changes were moved). fits, clocks : the fields' own. shares,
    responses : draws of spreads by outcome. basis : of the answers in the lake. signals : what loss checks told of
    them. refreshed : why the noise was
    fitted in this night; empty where it was not. moved : see ``TOLERANCE``. used : keys of what this night needs.
    """

    fitted_at: datetime | None = None
    places: frozenset[Place] = frozenset()
    known: dict[str, dict[str, SeasonOutcome]] = field(default_factory=dict)
    fits: dict[str, FieldOutcome | None] = field(default_factory=dict)
    clocks: dict[str, Array | None] = field(default_factory=dict)
    shares: dict[str, KeptDraws] = field(default_factory=dict)
    responses: dict[str, KeptDraws] = field(default_factory=dict)
    basis: Basis = field(default_factory=Basis)
    signals: KnownSignals = field(default_factory=KnownSignals)
    refreshed: str = ""
    moved: float = 0.0
    used: set[str] = field(default_factory=set)
    now: datetime = datetime.min

    def begin(self, fields: Sequence[Binned], now: datetime) -> None:
        """Forget the noise where it no longer serves ``fields``."""
        self.now = now
        if len(fields) < FEWEST_JOBS:
            self._forget("", fields)
            self.fitted_at = None
        elif why := self._outdated(fields, now):
            self._forget(why, fields)

    def _outdated(self, fields: Sequence[Binned], now: datetime) -> str:
        if self.fitted_at is None or AS_LOGGED not in self.known:
            return "It was not known yet."
        if not timedelta(0) <= now - self.fitted_at <= LONGEST:
            return "It was a week old."
        if len(fields) > MOST_GROWTH * len(self.places) or len(fields) < len(self.places) / MOST_GROWTH:
            return "The season has grown by a tenth."
        noises = self.known[AS_LOGGED]
        if any(noises[name].noise is None for binned in fields for name in binned.outcomes if name in noises):
            return "There is a new outcome."
        return ""

    def _forget(self, why: str, fields: Sequence[Binned]) -> None:
        self.fitted_at, self.refreshed = self.now, why
        self.places = frozenset(map(place_of, fields))
        for kept in (self.known, self.fits, self.clocks, self.shares, self.responses):
            kept.clear()
        self.basis, self.signals = Basis(), KnownSignals()

    def fit(self, fields: Sequence[Binned], stage: str, each: FanOut) -> dict[str, SeasonOutcome]:
        """``fit_season`` of ``fields``, under the noise that is known of ``stage``, where it is."""
        if len(fields) < FEWEST_JOBS:
            return fit_season(fields, each)
        if (known := self.known.get(stage)) is not None:
            season, new = self._under(known, fields, each, new=True)
            self.moved = self._moved_by_new(season, new) if stage == AS_LOGGED else 0.0
            if self.moved <= TOLERANCE:
                return season
            self._forget("The new field jobs would move it too far.", fields)
        self.known[stage] = known = season_noises(fields, each)
        return self._under(known, fields, each, new=False)[0]

    def clock_evidence(
        self, fields: Sequence[Binned], season: Mapping[str, SeasonOutcome], each: FanOut
    ) -> list[Array | None]:
        """``evidence_of_field`` of each of ``fields``, made where it is not kept."""
        noises = " ".join(noise_digest(season[name]) for name in PLACES if name in season)
        keys = [fit_key(bins_digest(binned), "clock", noises) for binned in fields]
        due = {key: binned for key, binned in zip(keys, fields, strict=True) if key not in self.clocks}
        found = evidence_of_fields(list(due.values()), season, each)
        self.clocks.update(zip(due, found, strict=True))
        self.used.update(keys)
        return [self.clocks[key] for key in keys]

    def end(self) -> None:
        """Forget the fits that this night did not use."""
        self.fits = {key: fit for key, fit in self.fits.items() if key in self.used}
        self.clocks = {key: one for key, one in self.clocks.items() if key in self.used}

    def _under(
        self, known: Mapping[str, SeasonOutcome], fields: Sequence[Binned], each: FanOut, new: bool
    ) -> tuple[dict[str, SeasonOutcome], list[Binned]]:
        """The season under the noise that is ``known``, and which of ``fields`` were fitted now."""
        keys = [_keys_of(binned, known) for binned in fields]
        due = [i for i, mine in enumerate(keys) if not self.fits.keys() >= set(mine.values())]
        many = [fields[i] for i in due]
        for i, made in zip(due, fit_fields(known, many, each, new), strict=True):
            self.fits |= {keys[i][name]: fit for name, fit in made.items()}
        self.used.update(key for mine in keys for key in mine.values())
        fits = [{name: self.fits[key] for name, key in mine.items()} for mine in keys]
        return under_noises(known, fields, fits), many

    def _moved_by_new(self, season: Mapping[str, SeasonOutcome], due: Sequence[Binned]) -> float:
        """By how many standard errors effects of ``due``, or their errors, move if the noise is fitted with the field
        jobs that it does not know: root mean square, of the worst outcome."""
        longest = sorted(due, key=lambda binned: -binned.time_s.size)[:MOST_TRIED]
        found = 0.0
        for one in season.values():
            new = [f.witness for f in one.fields if place_of(f.binned) not in self.places and f.witness]
            slopes = [w.slope for w in new if w.slope is not None]
            bends = [w.curvature for w in new if w.curvature is not None]
            if not slopes or one.noise is None or one.curvature is None:
                continue
            # The noise was fitted to a sample, which represents all the field jobs of its season.
            jobs_of_each = max(1.0, len(self.places) / most_for_noise(one.outcome))
            bent = one.curvature * jobs_of_each
            noise = noise_moved(one.noise, bent, np.sum(slopes, axis=0), np.sum(bends, axis=0))
            known = {id(f.binned): f for f in one.fields}
            apart = [
                _apart(before, after)
                for before in (known[id(b)] for b in longest if id(b) in known)
                if (after := fit_moved(before.binned, one, noise)) is not None
            ]
            if apart and (squares := np.concatenate(apart, axis=1)).size:
                found = max(found, float(np.sqrt(np.mean(squares, axis=1).max())))
        return found


def _apart(before: FieldOutcome, after: FieldOutcome) -> Array:
    """Squares of how far effects, and their errors, are apart, in standard errors, (2, changes)."""
    n = len(before.design.steps)
    kept = before.fit if before.witness is None else before.witness.fit
    error, other = (np.sqrt(np.diag(fit.covariance)[:n]) for fit in (kept, after.fit))
    return np.stack([(kept.coefficients[:n] - after.fit.coefficients[:n]) / error, other / error - 1]) ** 2


def _keys_of(binned: Binned, known: Mapping[str, SeasonOutcome]) -> dict[str, str]:
    digest = bins_digest(binned)
    return {
        name: fit_key(digest, name, noise_digest(known[name])) for name in known if name in binned.outcomes
    }


def place_of(binned: Binned) -> Place:
    return binned.machine, binned.field, float(binned.time_s[0]) if binned.time_s.size else 0.0


def fit_key(bins: str, outcome: str, noise: str) -> str:
    return f"{outcome} {noise} {bins}"


def bins_digest(binned: Binned) -> str:
    """Of all that decides how the outcomes of one field job are fitted under a given noise."""
    found = blake2b(digest_size=12)
    for name in binned.__slots__:
        if isinstance(value := getattr(binned, name), np.ndarray):
            found.update(np.ascontiguousarray(value).tobytes())
    for name in sorted(binned.outcomes):
        found.update(name.encode() + np.ascontiguousarray(binned.outcomes[name]).tobytes())
    moments = [(c.first_s, c.last_s, c.logged_s, c.by_settings_log) for c in binned.changes]
    found.update(repr((moments, binned.loss_delay_s)).encode())
    return found.hexdigest()


def noise_digest(known: SeasonOutcome) -> str:
    """Of what a season says of the noise of an outcome."""
    parts = [repr((known.drift, known.freedom))]
    for noise in (known.first, known.noise):
        if noise is not None:
            variances = noise.scale_variances.tolist()
            parts.append(repr((variances, noise.second_variance, noise.shift, noise.ground_variance)))
    return blake2b("\n".join(parts).encode(), digest_size=8).hexdigest()
