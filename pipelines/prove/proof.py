"""Many seasons tested: simulate and prepare field jobs in parallel, estimate, score, report."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from operator import call
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.errors import CallError, NotYet
from chaffinch.pipelines.parallel.fan_out import one_by_one, processors, side_by_side
from chaffinch.pipelines.parallel.processes import in_processes
from chaffinch.pipelines.prove.limits import failings
from chaffinch.pipelines.prove.scoring import percent, reliability, score
from chaffinch.pipelines.prove.trial import (
    ADJUSTMENT,
    OURS,
    PEERS,
    SLOW_PEERS,
    FieldTask,
    FieldTrial,
    judge_season,
    try_field,
)
from chaffinch.pipelines.prove.wording import sentences
from chaffinch.pipelines.simulate import SCENARIOS
from chaffinch.schemas.tables import OUTCOMES

DEFAULT_OUTCOMES = ("separation_loss", "cleaning_loss")
# The simulator has no truth for non-grain.
JUDGED_OUTCOMES = tuple(o for o in OUTCOMES if o != "non_grain")
# The structural time series takes seconds a field and outcome; so many fields of each scenario are enough to
# see how wide its ranges are.
STRUCTURAL_FIELDS = 2

Say = Callable[[str], None]
Step = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class _SeasonPlan:
    scenario: str
    seed: int
    tasks: tuple[FieldTask, ...]


def run_proof(
    scenarios: Sequence[str] | None,
    seasons: int,
    say: Say,
    step: Step,
    *,
    seed: int | None = None,
    fields: int | None = None,
    peers: Sequence[str] = PEERS,
    outcomes: Sequence[str] = DEFAULT_OUTCOMES,
    processes: int | None = None,
) -> dict[str, Any]:
    """Test the estimator and its peers on seasons with known truth.

    scenarios : names; all when None. seasons : simulated for each. seed : of the whole proof; None: fresh.
    fields : field jobs a season instead of the scenario's own. processes : at most; the machine's cores
    when None.

    The result holds ``held`` and ``failings`` (see ``limits.failings``), ``seed``, ``season_seeds``, ``scores`` of
    single changes, ``scores_by_outcome`` of them, ``scores_by_scope`` of wider rows (see ``scoring.score``),
    ``reliability`` (see ``scoring.reliability``), ``sentences``, ``fields_of_structural`` (field jobs a scenario
    that the structural time series was given), and nothing that is not plain JSON.

    Raises ``CallError`` for a scenario, peer or outcome that does not exist.
    """
    names = _known("scenario", scenarios if scenarios is not None else tuple(SCENARIOS), tuple(SCENARIOS))
    peers = _known("peer", peers, PEERS)
    outcomes = _known("outcome", outcomes, JUDGED_OUTCOMES)
    if fields is not None and fields < 1:
        raise CallError(f"A season has at least one field job, not {fields}.")
    root = seed if seed is not None else int(np.random.SeedSequence().generate_state(1)[0])
    if root < 0:
        raise CallError(f"A seed is a whole number from 0 up, not {root}.")
    season_seeds = [int(s) for s in np.random.SeedSequence(root).generate_state(seasons)]
    say(f"Seed {root}: the same seed gives the same seasons again.")
    plans = [_plan(name, s, i, fields, outcomes, peers) for name in names for i, s in enumerate(season_seeds)]
    judged = _gathered(_judge(plans, step, processes), seasons, say)
    changes = judged.filter(pl.col("scope") == ADJUSTMENT)
    scores = score(changes)
    of_scopes = score(judged.filter(pl.col("scope") != ADJUSTMENT), ("scenario", "method", "scope"))
    missed = [*failings(scores), *failings(of_scopes)]
    proof = {
        "held": not missed,
        "seed": root,
        "season_seeds": season_seeds,
        "seasons": seasons,
        "outcomes": list(outcomes),
        "fields_of_structural": STRUCTURAL_FIELDS if set(peers) & set(SLOW_PEERS) else 0,
        "scores": scores,
        "scores_by_outcome": score(changes, ("scenario", "method", "outcome")),
        "scores_by_scope": of_scopes,
        "reliability": reliability(judged),
        "failings": missed,
    }
    return {**proof, "sentences": sentences(proof)}


def _known(kind: str, asked: Sequence[str], there: Sequence[str]) -> tuple[str, ...]:
    for name in asked:
        if name not in there:
            raise CallError(f"There is no {kind} '{name}'. There are: {', '.join(there)}.")
    return tuple(dict.fromkeys(asked))


def _plan(
    name: str, seed: int, season: int, fields: int | None, outcomes: tuple[str, ...], peers: tuple[str, ...]
) -> _SeasonPlan:
    quick = tuple(p for p in peers if p not in SLOW_PEERS)
    count = fields if fields is not None else SCENARIOS[name].fields
    one = FieldTask(name, seed, fields, 0, outcomes, quick)
    slow = STRUCTURAL_FIELDS if season == 0 else 0
    return _SeasonPlan(
        name, seed, tuple(replace(one, index=i, peers=peers if i < slow else quick) for i in range(count))
    )


def _gathered(seasons_judged: Iterator[pl.DataFrame], seasons: int, say: Say) -> pl.DataFrame:
    """All judged rows; each scenario is reported as soon as it is done, since a run may be cut short."""
    frames: list[pl.DataFrame] = []
    for judged in seasons_judged:
        frames.append(judged)
        if len(frames) % seasons == 0:
            done = pl.concat(frames[-seasons:], how="diagonal_relaxed").filter(pl.col("scope") == ADJUSTMENT)
            for one in score(done):
                if one["method"] == OURS:
                    say(f"{one['scenario']}: {percent(one['coverage'])} of {one['answered']} ranges hold.")
    return pl.concat(frames, how="diagonal_relaxed")


def _judge(plans: Sequence[_SeasonPlan], step: Step, processes: int | None) -> Iterator[pl.DataFrame]:
    """Judged rows, a season at a time. Machine-fields are made side by side, and a season is estimated while
    the fields of the next are made; only bins and answers are kept, so memory grows with neither."""
    total = sum(len(p.tasks) + 1 for p in plans)
    count = min(processes or processors(), total)
    each = side_by_side if count > 1 else one_by_one
    done = 0
    with in_processes(call, each, count) as run_one, ThreadPoolExecutor(1) as aside:
        waiting: Future[pl.DataFrame] | None = None
        for plan in plans:
            trials: list[FieldTrial] = []
            tasks = [partial(try_field, task) for task in plan.tasks]
            for trial in each("try", run_one, tasks, str):
                assert not isinstance(trial, NotYet)
                trials.append(trial)
                done += 1
                step(done, total, plan.scenario)
            judging = partial(judge_season, plan.scenario, plan.seed, trials)
            before, waiting = waiting, aside.submit(run_one, judging)
            if before is not None:
                yield before.result()
                done += 1
        if waiting is not None:
            yield waiting.result()
            step(total, total, plans[-1].scenario)
