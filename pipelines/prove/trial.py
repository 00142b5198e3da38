"""One field job tested: simulated, prepared as any log is, answered by the peers, with its truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate import estimate_answers, estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.data.design import PLACES
from chaffinch.pipelines.estimate.results.calibration import MachineCrop
from chaffinch.pipelines.estimate.results.crop_entered import of_what_entered
from chaffinch.pipelines.estimate.signals.known_signals import losses_by_checks
from chaffinch.pipelines.prove.judged_curves import judge_curves
from chaffinch.pipelines.prove.scopes import judge_scopes, steps_made
from chaffinch.pipelines.prove.window_peers import PeerAnswer, verdict_of, window_means, window_regression
from chaffinch.pipelines.simulate import SCENARIOS, MachineField, Scenario, simulate_season
from chaffinch.pipelines.simulate.truth import UTC_MOMENT

OURS = "chaffinch"
ALONE = "each log alone"
WINDOW_MEANS = "window means"
WINDOW_REGRESSION = "window regression"
STRUCTURAL = "structural time series"
ORACLE = "oracle"
ADJUSTMENT = "adjustment"
PEERS = (WINDOW_MEANS, WINDOW_REGRESSION, STRUCTURAL, ORACLE)
SLOW_PEERS = (STRUCTURAL,)

CHANGE = ("machine", "field", "change_time", "outcome")
JUDGED_SCHEMA = {
    "scenario": pl.String(),
    "seed": pl.Int64(),
    "scope": pl.String(),
    "machine": pl.String(),
    "field": pl.String(),
    "change_time": UTC_MOMENT,
    "setting": pl.String(),
    "outcome": pl.String(),
    "method": pl.String(),
    "truth": pl.Float64(),
    "truly_joint": pl.Boolean(),
    "estimate": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "chance_less": pl.Float64(),
    "verdict": pl.String(),
    "told_as_one": pl.Int64(),
}
"""Columns of what is judged: one row a method, change (or row of another scope) and outcome, on the natural-log scale
(kg/ha where that is the scope)."""
_OF_A_CHANGE = {name: JUDGED_SCHEMA[name] for name in CHANGE}
TRUTH_SCHEMA = _OF_A_CHANGE | {
    "time": UTC_MOMENT, "setting": pl.String(), "truly_joint": pl.Boolean(), "truth": pl.Float64()
}  # fmt: skip
ANSWER_SCHEMA = _OF_A_CHANGE | {
    name: JUDGED_SCHEMA[name] for name in ("method", "estimate", "low", "high", "verdict")
}


@dataclass(frozen=True, slots=True)
class FieldTask:
    """One field job of one season, for one process."""

    scenario: str
    seed: int
    fields: int | None
    index: int
    outcomes: tuple[str, ...]
    peers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FieldTrial:
    """One field job, ready to be estimated and judged; its readings are gone.

    binned : None when the log holds no usable work. pairs : as of ``check_pairs``. truth : rows of
    ``TRUTH_SCHEMA``, one for each logged adjustment of one setting and outcome. steps : of ``scopes.steps_made``.
    peers : of ``ANSWER_SCHEMA``.
    """

    binned: Binned | None
    pairs: Array
    truth: pl.DataFrame
    steps: pl.DataFrame
    peers: pl.DataFrame


def try_field(task: FieldTask) -> FieldTrial:
    """Simulate and prepare one field job, let the peers answer, and drop its readings."""
    scenario = SCENARIOS[task.scenario]
    if task.fields is not None:
        scenario = replace(scenario, fields=task.fields)
    made = simulate_season(scenario, task.seed).machine_field(task.index)
    adjustments = real_adjustments(made.adjustments.with_row_index("row"))
    binned, pairs = prepare(made.readings, adjustments, made.loss_checks)
    changes = binned.changes if binned is not None else []
    truth = truth_of_changes(made.truth, changes, task.outcomes)
    peers = pl.DataFrame(schema=ANSWER_SCHEMA)
    if binned is not None:
        needed = _outcomes_needed(task.outcomes)
        binned = replace(binned, outcomes={o: y for o, y in binned.outcomes.items() if o in needed})
        peers = _peer_answers(_as_entered(binned, made), made, scenario, task)
    return FieldTrial(binned, pairs, truth, steps_made(made, binned, task.outcomes), peers)


def _outcomes_needed(outcomes: Iterable[str]) -> set[str]:
    # Capacity is read off the fit of machine loss, whose signals are known by their places.
    whole = {"machine_loss", "capacity"} & {*outcomes}
    return {*outcomes} | ({"machine_loss", *PLACES} if whole else set())


def truth_of_changes(truth: pl.DataFrame, changes: Sequence[Change], outcomes: Iterable[str]) -> pl.DataFrame:
    """True effect of each change of a field job as the estimator grouped them: rows of ``TRUTH_SCHEMA``.

    truth : as the simulator gives it. An adjustment that is in no change counts as one without an answer. The truth
    of a change is the sum over the events in it, a joint event once.
    """
    change = ("change_time", "outcome")
    log = truth.filter(pl.col("logged") & pl.col("outcome").is_in(list(outcomes))).drop("time")
    event = pl.coalesce("joint_id", pl.format("{} {}", "logged_time", "setting"))
    grouped = (
        log.with_columns(event.alias("event"))
        .rename({"logged_time": "time"})
        .join(_change_times(changes), on=["time", "setting"], how="left", validate="m:1")
        .with_columns(pl.coalesce("change_time", "time").alias("change_time"))
    )
    once = pl.when(pl.col("event").is_first_distinct().over(change)).then("log_ratio").otherwise(0.0)
    known = pl.col("log_ratio").is_not_null().all().over(change)
    return grouped.with_columns(
        pl.when(known).then(once.sum().over(change)).alias("truth"),
        (pl.col("setting").n_unique().over("event", "outcome") > 1).alias("truly_joint"),
    ).select(pl.col(name).cast(kind) for name, kind in TRUTH_SCHEMA.items())


def _change_times(changes: Sequence[Change]) -> pl.DataFrame:
    """Time, setting and the moment of the first adjustment of the change that holds it."""
    schema = {"time": UTC_MOMENT, "setting": pl.String(), "change_time": UTC_MOMENT}
    rows = [
        change.rows.select(
            pl.col("time").cast(UTC_MOMENT),
            "setting",
            pl.col("time").min().cast(UTC_MOMENT).alias("change_time"),
        )
        for change in changes
    ]
    return pl.concat([pl.DataFrame(schema=schema), *rows]).unique(["time", "setting"], keep="first")


def _peer_answers(binned: Binned, made: MachineField, scenario: Scenario, task: FieldTask) -> pl.DataFrame:
    frames = []
    for outcome in task.outcomes:
        if outcome not in binned.outcomes:
            continue
        for method in task.peers:
            if (answers := _ask(method, binned, outcome, made, scenario)) is not None:
                frames.append(_answers(binned, outcome, method, answers))
    return pl.concat([pl.DataFrame(schema=ANSWER_SCHEMA), *frames])


def _ask(
    method: str, binned: Binned, outcome: str, made: MachineField, scenario: Scenario
) -> list[PeerAnswer] | None:
    """Answers of a peer; None where it has none for that outcome."""
    if method == ORACLE:
        from chaffinch.pipelines.prove.oracle import JUDGED, OracleKnowledge, oracle

        known = outcome in JUDGED
        return oracle(binned, outcome, OracleKnowledge.of(made, scenario, outcome)) if known else None
    if method == STRUCTURAL:
        from chaffinch.pipelines.prove.structural_peer import structural_time_series

        return structural_time_series(binned, outcome)
    return {WINDOW_MEANS: window_means, WINDOW_REGRESSION: window_regression}[method](binned, outcome)


def _as_entered(binned: Binned, made: MachineField) -> Binned:
    """Peers know what a unit of the loss signals weighs; the estimator has loss checks."""
    weights = {place: 1 / made.machine.instruments.loss_gain[place.removesuffix("_loss")] for place in PLACES}
    return of_what_entered(binned, weights)


def _answers(binned: Binned, outcome: str, method: str, answers: Sequence[PeerAnswer]) -> pl.DataFrame:
    rows = [
        (binned.machine, binned.field, binned.changes[k].rows["time"].min(), outcome, method, *ends, None)
        for k, *ends in answers
    ]
    verdict = verdict_of(pl.col("low"), pl.col("high"))
    return pl.DataFrame(rows, ANSWER_SCHEMA, orient="row").with_columns(verdict.alias("verdict"))


def judge_season(scenario: str, seed: int, trials: Sequence[FieldTrial]) -> pl.DataFrame:
    """Estimate the season and compare every method's answers with the truth: rows of ``JUDGED_SCHEMA``.

    Ours are the rows of ``effects`` that a user would be shown. A change that ``effects`` lacks counts
    as ``cannot tell``.
    """
    season = simulate_season(scenario, seed)
    truth = pl.concat(t.truth for t in trials)
    pairs: dict[MachineCrop, list[Array]] = defaultdict(list)
    fields = []
    for one in trials:
        if one.binned is not None:
            fields.append(one.binned)
            pairs[one.binned.machine, one.binned.crop].append(one.pairs)
    drums = {m.name: m.drum_diameter_m for m in season.machines if m.drum_diameter_m is not None}
    steady, signals = losses_by_checks(fields, pairs)
    diameters_m = {"threshing_speed": drums} if drums else None
    curves: list[dict[str, Any]] = []
    if season.scenario.effects.bowls:
        answers = estimate_answers(steady, signals, diameters_m=diameters_m)
        effects, curves = answers.effects, judge_curves(season.scenario.effects, answers.responses)
    else:
        effects = estimate_effects(steady, signals, diameters_m=diameters_m)
    ours, alone = ours_on_changes(truth, effects), ours_on_changes(truth, alone_as_answer(effects), ALONE)
    peers = pl.concat(t.peers for t in trials).join(
        ours.select(*CHANGE, "truth", "truly_joint"), on=CHANGE, how="inner", validate="m:1"
    )
    both = pl.concat(
        [ours, alone, peers.with_columns(pl.lit(0).alias("told_as_one"))], how="diagonal_relaxed"
    )
    wider = [*judge_scopes(season, pl.concat(t.steps for t in trials), effects), *curves]
    wide = pl.DataFrame(
        wider, schema_overrides={"change_time": UTC_MOMENT}, infer_schema_length=None
    ).with_columns(
        pl.lit(OURS).alias("method"), pl.lit(False).alias("truly_joint"), pl.lit(0).alias("told_as_one")
    )
    changes = both.with_columns(pl.lit(ADJUSTMENT).alias("scope"))
    return pl.concat([changes, wide] if wider else [changes], how="diagonal_relaxed").with_columns(
        pl.lit(scenario).alias("scenario"), pl.lit(seed, dtype=pl.Int64).alias("seed")
    )


def alone_as_answer(effects: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``effects`` with what their own log says alone as the answer; what is refused stays refused."""
    columns = [f"log_ratio{end}" for end in ("", "_low", "_high")]
    verdict = verdict_of(pl.col("log_ratio_low"), pl.col("log_ratio_high"))
    refused = pl.col("verdict") == "cannot tell"
    alone = [pl.col(f"alone_{name}").alias(name) for name in columns]
    return effects.with_columns(*alone, pl.lit(None, dtype=pl.Float64).alias("chance_less")).with_columns(
        pl.when(refused).then("verdict").otherwise(verdict).alias("verdict")
    )


def ours_on_changes(truth: pl.DataFrame, effects: pl.DataFrame, method: str = OURS) -> pl.DataFrame:
    """Rows of ``effects`` with the truth, one for each change and outcome.

    ``told_as_one``: rows of a truly joint change that carry an effect without saying that it is joint.
    """
    shown = effects.filter(pl.col("scope") == "adjustment").select(
        "machine",
        "field",
        "time",
        "setting",
        "outcome",
        "joint_id",
        "verdict",
        "chance_less",
        pl.col("log_ratio").alias("estimate"),
        pl.col("log_ratio_low").alias("low"),
        pl.col("log_ratio_high").alias("high"),
    )
    key = ["machine", "field", "time", "setting", "outcome"]
    as_one = pl.col("truly_joint") & pl.col("joint_id").is_null() & pl.col("estimate").is_not_null()
    return (
        truth.join(shown, on=key, how="left", validate="m:1")
        .group_by(CHANGE, maintain_order=True)
        .agg(
            pl.col("truth").first(),
            pl.col("truly_joint").any(),
            pl.col("setting", "estimate", "low", "high", "chance_less").first(),
            pl.col("verdict").first().fill_null("cannot tell"),
            as_one.sum().cast(pl.Int64).alias("told_as_one"),
        )
        .with_columns(pl.lit(method).alias("method"))
        .drop_nulls("truth")
    )
