"""Machines of which nothing is new keep their answers, while what all machines together say hardly moves.

An answer combines the logs of its machine with what all machines together say. One more field job in two hundred
hardly moves the pooled answer, and the answer of another machine moves less, because its own logs count too. So
machines whose evidence is identical keep their rows, and so does the season, until the pooled answer for one step
of a setting has moved by more than ``OF_NARROWEST`` since all rows were made; then all are made again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.doses import Diameters
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.responses.response_curves import ToDraw
from chaffinch.pipelines.estimate.results.calibration import Calibration, MachineCrop
from chaffinch.pipelines.estimate.results.effects_table import ByOwnLog, Unanswered
from chaffinch.pipelines.estimate.results.shared_changes import ToShare
from chaffinch.pipelines.estimate.results.shared_rows import SharedOutcome

# Of the half width of the narrowest range of a step, of a machine or of all; the same of that for a field to come.
OF_NARROWEST = 0.2
# How far the widening of ranges by placebos may change, relative to itself.
OF_WIDENING = 0.1


@dataclass(frozen=True, slots=True)
class Basis:
    """What the answers in the lake were made from. evidence : its digest, by machine. common : by outcome, the pooled
    answers (``SharedOutcome.common``) of the night that made the rows of all machines."""

    evidence: Mapping[str, str] = field(default_factory=dict)
    common: Mapping[str, Array] = field(default_factory=dict)

    def unchanged(self, evidence: Mapping[str, str]) -> frozenset[str]:
        """The machines whose evidence is what it was."""
        return frozenset(
            machine for machine, digest in evidence.items() if self.evidence.get(machine) == digest
        )

    def holds(self, sharing: Sequence[ToShare], shared: Sequence[SharedOutcome]) -> bool:
        """Whether the pooled answers are still near enough."""
        return {what.outcome for what in sharing} == self.common.keys() and all(
            _near(self.common[what.outcome], one.common) and _drawn_before(what, one)
            for what, one in zip(sharing, shared, strict=True)
        )


def _drawn_before(what: ToShare, one: SharedOutcome) -> bool:
    return what.draws is not None and np.array_equal(what.draws.logliks, one.draws.logliks)


def _near(before: Array, now: Array) -> bool:
    """before, now : of ``in_common``."""
    if before.shape != now.shape:
        return False
    apart = np.abs(now - before)
    answers = apart[:, :3].max(axis=1) <= OF_NARROWEST * before[:, 5]
    to_come = apart[:, 3:5].max(axis=1) <= OF_NARROWEST * (before[:, 4] - before[:, 3]) / 2
    return bool(answers.all() and to_come.all() and (apart[:, 6] <= np.log1p(OF_WIDENING)).all())


def evidence_by_machine(
    own: ByOwnLog,
    sharing: Sequence[ToShare],
    drawing: Sequence[ToDraw],
    calibrations: Mapping[MachineCrop, Calibration],
    unanswered: Sequence[Unanswered],
    clocks: Mapping[str, ClockOffset],
    diameters_m: Diameters,
) -> dict[str, str]:
    """Digest of all that the answers of each machine are made from, but for what all machines together say.

    The widening of ranges by placebos is of all machines together, and so no part of it.
    """
    parts: dict[str, list[str | bytes]] = defaultdict(list)
    for binned in own.fields:
        mine = parts[binned.machine]
        mine.append(repr((binned.place, binned.flaws, binned.calibrated, binned.time_s[:1].tolist())))
        for k, change in enumerate(binned.changes):
            mine += [repr(binned.around(k)), repr(change.rows.rows())]
    for name, season in own.season.items():
        for fitted in season.fields:
            fit, loadings = fitted.fit, sorted(fitted.loadings.items())
            arrays = (fit.coefficients, fit.covariance, fit.freedom, *(one for _, one in loadings))
            stated = name, fitted.design.names, fitted.change_points, [of for of, _ in loadings]
            parts[fitted.binned.machine] += [repr(stated), *(one.tobytes() for one in arrays)]
        for machine, steps in season.placebo_steps.items():
            parts[machine].append(steps.tobytes())
    machine_of = {id(binned): binned.machine for binned in own.fields}
    for (of, k, name), one in own.alone.items():
        parts[machine_of[of]].append(repr((k, name, one.found.log_ratio, one.found.reasons, one.usable)))
    for missing in unanswered:
        about = missing.field, missing.crop, missing.outcomes, missing.reason, missing.adjustments.rows()
        parts[missing.machine].append(repr(about))
    for (machine, crop), calibration in calibrations.items():
        parts[machine].append(repr((crop, calibration)))
    for machine, clock in clocks.items():
        parts[machine].append(repr(clock))
    # What a step of a setting is follows from the values tried on all machines.
    scales = repr(([(one.outcome, one.labels) for one in sharing], [one.columns for one in drawing]))
    of_all = repr(diameters_m) + scales
    return {machine: _digest([of_all, *some]) for machine, some in parts.items()}


def _digest(parts: Sequence[str | bytes]) -> str:
    found = blake2b(digest_size=12)
    for part in parts:
        found.update(part.encode("utf-8", "surrogatepass") if isinstance(part, str) else part)
    return found.hexdigest()
