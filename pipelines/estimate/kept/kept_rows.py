"""``KeptSeason`` as rows of the table ``season_fits``, and back. What can't be understood counts as not kept."""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Iterator
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.kept.kept_season import KeptSeason
from chaffinch.pipelines.estimate.kept.unchanged_machines import Basis
from chaffinch.pipelines.estimate.model.change_points import ChangePoint
from chaffinch.pipelines.estimate.model.fit import DriftPrior, Fit
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.estimate.model.placebo import Placebos, PlaceboSteps
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome, Witness
from chaffinch.pipelines.estimate.results.calibration import MachineCrop
from chaffinch.pipelines.estimate.results.nested_terms import Spreads
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws
from chaffinch.pipelines.estimate.signals.exponents import Power
from chaffinch.pipelines.estimate.signals.gain_moves import GainMove
from chaffinch.pipelines.estimate.signals.known_signals import KnownSignals
from chaffinch.pipelines.program_digest import program_digest
from chaffinch.schemas.tables import tables

TABLE = "season_fits"


def season_fit_rows(kept: KeptSeason) -> pl.DataFrame:
    """Rows of ``season_fits``; none where nothing is kept."""
    rows = list(_rows(kept)) if kept.fitted_at is not None else []
    frame = pl.DataFrame(rows, schema=["kind", "name", "content"], orient="row")
    return tables()[TABLE].conform(frame) if rows else tables()[TABLE].empty()


def _rows(kept: KeptSeason) -> Iterator[tuple[str, str, str]]:
    assert kept.fitted_at is not None
    season = {"fitted_at": kept.fitted_at.isoformat(), "places": sorted(kept.places, key=repr)}
    yield "season", program_digest(), json.dumps(season)
    for stage, known in kept.known.items():
        for outcome, one in known.items():
            yield "noise", json.dumps([stage, outcome]), json.dumps(_of_noise(one))
    for key, fit in kept.fits.items():
        yield "fit", key, json.dumps(None if fit is None else _of_fit(fit))
    for key, evidence in kept.clocks.items():
        yield "clock", key, json.dumps(_text(evidence))
    for of, moves in kept.signals.moves.items():
        for name, move in moves.items():
            yield "move", json.dumps([*of, name]), json.dumps(asdict(move))
    for of, power in kept.signals.powers.items():
        yield "power", json.dumps(of), json.dumps(asdict(power))
    for machine, digest in kept.basis.evidence.items():
        yield "evidence", machine, json.dumps(digest)
    for outcome, common in kept.basis.common.items():
        yield "common", outcome, json.dumps(_text(common))
    for kind, draws in (("shares", kept.shares), ("responses", kept.responses)):
        for outcome, one_draws in draws.items():
            yield kind, outcome, json.dumps(_of_draws(one_draws))


def kept_of(rows: pl.DataFrame) -> KeptSeason:
    """What ``rows`` keep; nothing where another version of the program wrote them."""
    kept = KeptSeason()
    powers: dict[MachineCrop, Power] = {}
    moves: dict[MachineCrop, dict[str, GainMove]] = {}
    evidence: dict[str, str] = {}
    common: dict[str, Array] = {}
    try:
        for kind, name, content in rows.iter_rows():
            read = json.loads(content)
            if kind == "season":
                if name != program_digest():
                    return KeptSeason()
                kept.fitted_at = datetime.fromisoformat(read["fitted_at"])
                kept.places = frozenset((m, f, t) for m, f, t in read["places"])
            elif kind == "noise":
                stage, outcome = json.loads(name)
                kept.known.setdefault(stage, {})[outcome] = _noise_of(outcome, read)
            elif kind == "fit":
                kept.fits[name] = None if read is None else _fit_of(name.split(" ", 1)[0], read)
            elif kind == "power":
                machine, crop = json.loads(name)
                powers[machine, crop] = Power(**read)
            elif kind == "clock":
                kept.clocks[name] = _array(read)
            elif kind == "evidence":
                evidence[name] = read
            elif kind == "common":
                common[name] = _array(read)
            elif kind == "move":
                machine, crop, setting = json.loads(name)
                moves.setdefault((machine, crop), {})[setting] = GainMove(**read)
            else:
                (kept.shares if kind == "shares" else kept.responses)[name] = _draws_of(read)
    except (ValueError, KeyError, TypeError):
        return KeptSeason()
    kept.basis = Basis(evidence, common)
    kept.signals = KnownSignals(powers=powers, moves=moves)
    return kept


def _text(values: Array | None) -> list[Any] | None:
    """Shape and bytes, so that not a bit is lost."""
    if values is None:
        return None
    array = np.ascontiguousarray(values, dtype="<f8")
    return [list(array.shape), b64encode(array.tobytes()).decode()]


def _array(read: list[Any] | None) -> Any:
    return None if read is None else np.frombuffer(b64decode(read[1]), dtype="<f8").reshape(read[0]).copy()


def _of_one_noise(noise: Noise | None) -> Any:
    if noise is None:
        return None
    rest = [noise.second_variance, noise.shift, noise.ground_variance]
    return _text(np.r_[noise.scale_variances, rest])


def _one_noise(read: Any) -> Noise | None:
    if (values := _array(read)) is None:
        return None
    return Noise(values[:-3], *map(float, values[-3:]))


def _of_noise(one: SeasonOutcome) -> dict[str, Any]:
    return {
        "noise": _of_one_noise(one.noise),
        "first": _of_one_noise(one.first),
        "drift": _text(np.array([one.drift.centre, one.drift.spread, one.freedom])),
        "curvature": _text(one.curvature),
    }


def _noise_of(outcome: str, read: dict[str, Any]) -> SeasonOutcome:
    centre, spread, freedom = map(float, _array(read["drift"]))
    return SeasonOutcome(
        outcome,
        [],
        _one_noise(read["noise"]),
        Placebos.none(),
        False,
        DriftPrior(centre, spread),
        freedom,
        first=_one_noise(read["first"]),
        curvature=_array(read["curvature"]),
    )


def _of_fit(one: FieldOutcome) -> dict[str, Any]:
    witness = one.witness
    fit = one.fit if witness is None else witness.fit
    return {
        "fit": [_text(fit.coefficients), _text(fit.covariance), _text(fit.freedom)],
        "rises": [[*one.rises], _text(np.array([*one.rises.values()], dtype=float))],
        "design": [one.design.names, one.design.steps],
        "typical": _text(np.array([one.design.feed_typical_t_h])),
        "steps": _text(np.array([[p.index, p.time_s, p.estimate, p.error] for p in one.change_points])),
        "witness": witness
        and [
            _text(witness.placebos.scores),
            _text(witness.placebos.steps),
            _text(witness.placebos.after_rise),
            _text(np.array([witness.spike, witness.steering])),
            _text(witness.slope),
            _text(witness.curvature),
        ],
    }


def _fit_of(outcome: str, read: dict[str, Any]) -> FieldOutcome:
    names, steps = map(tuple, read["design"])
    typical = float(_array(read["typical"])[0])
    design = Design(np.empty(0, dtype=bool), np.empty((0, len(names))), names, steps, typical)
    points = tuple(ChangePoint(int(p[0]), *map(float, p[1:])) for p in _array(read["steps"]))
    fit = Fit(*map(_array, read["fit"]))
    witness = read["witness"]
    if witness is not None:
        scores, alone, after_rise, sums, slope, bent = map(_array, witness)
        spike, steering = ((float(a), float(b)) for a, b in sums)
        witness = Witness(fit, PlaceboSteps(scores, alone, after_rise), spike, steering, slope, bent)
    rises = dict(zip(read["rises"][0], _array(read["rises"][1]).tolist(), strict=True))
    return FieldOutcome(_NO_BINS, outcome, design, fit, points, rises=rises, witness=witness)


def _of_draws(one: KeptDraws) -> dict[str, Any]:
    names = ("setting", "field", "change", "machine", "crop", "year")
    width = max(np.asarray(s.setting).size for s in one.spreads)
    return {
        "seen": [one.columns, one.machines, one.crops, one.years],
        "logliks": _text(one.logliks),
        "unknown": _text(np.array([[s.unknown, s.noise] for s in one.spreads])),
        "w": None if one.spreads[0].w is None else _text(np.array([s.w for s in one.spreads])),
        **{
            name: _text(np.array([np.broadcast_to(getattr(s, name), width) for s in one.spreads]))
            for name in names
        },
    }


def _draws_of(read: dict[str, Any]) -> KeptDraws:
    columns, machines, crops, years = map(tuple, read["seen"])
    names = ("setting", "field", "change", "machine", "crop", "year")
    arrays = {name: _array(read[name]) for name in names}
    rest, w = _array(read["unknown"]), _array(read["w"])
    spreads = tuple(
        Spreads(
            **{name: arrays[name][i] for name in names},
            unknown=float(rest[i, 0]),
            noise=float(rest[i, 1]),
            w=None if w is None else w[i],
        )
        for i in range(len(rest))
    )
    return KeptDraws(columns, machines, crops, years, spreads, _array(read["logliks"]))


_NO_ARRAYS: dict[str, Any] = {
    one.name: np.empty(0, dtype=int if one.name == "step" else float)
    for one in fields(Binned)
    if one.type in ("Array", "NDArray[np.int_]")
}
_NO_BINS = Binned("", None, None, [], outcomes={}, flaws={}, calibrated=False, **_NO_ARRAYS)
