"""Judge deliveries: the batch expectations of ``schemas/expectations.toml``, run by Great Expectations.

Many new deliveries are judged in one go on the frame of their measures, because importing the library takes seconds
and each validation has its own cost. Where no measure lies outside its bounds there is nothing to find, and it is not
imported at all.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.validate.attention import attention
from chaffinch.pipelines.validate.measures import MEASURES, measure
from chaffinch.schemas.declarations import without_unit
from chaffinch.schemas.declared_checks import BatchExpectation, batch_expectations

if TYPE_CHECKING:
    import pandas as pd

_WORST_FIRST = ("poor", "look", "good")


@dataclass(frozen=True, slots=True)
class Judgement:
    """``judgement``: good, look or poor, the worst of all; ``findings``: a sentence for each not met."""

    judgement: str = "good"
    findings: tuple[str, ...] = ()


def judge(deliveries: Sequence[tuple[str, Parsed]], farm: Farm) -> dict[str, Judgement]:
    """The judgement of each delivery by name; those without rows (a farm.toml) are ``good``."""
    judged_channels = frozenset(c for e in batch_expectations().values() for c in e.channels)
    rows = [row for name, parsed in deliveries for row in measure(name, parsed, judged_channels)]
    found: dict[str, list[tuple[str, str]]] = {
        name: [("look", sentence) for sentence in attention(parsed)] for name, parsed in deliveries
    }
    if rows:
        expected = list(batch_expectations().values())
        not_met = list(_not_met(rows, expected, farm))
        left_out = {(row["delivery"], weaker) for e, row, _ in not_met for weaker in e.instead_of}
        for expectation, row, value in not_met:
            if (row["delivery"], expectation.name) not in left_out:
                sentence = _sentence(expectation, row, value, _high(expectation, farm))
                found[row["delivery"]].append((expectation.judgement, sentence))
    return {name: _worst(pairs) for name, pairs in found.items()}


def _worst(pairs: Iterable[tuple[str, str]]) -> Judgement:
    pairs = sorted(pairs, key=lambda pair: _WORST_FIRST.index(pair[0]))
    return Judgement(pairs[0][0], tuple(sentence for _, sentence in pairs)) if pairs else Judgement()


def _not_met(
    rows: list[dict[str, Any]], expected: list[BatchExpectation], farm: Farm
) -> Iterable[tuple[BatchExpectation, dict[str, Any], float]]:
    """Expectation, row of measures, and value, for each that is not met."""
    import pandas as pd

    frame = pd.DataFrame(rows)
    columns: dict[str, pd.Series] = {}
    for expectation in expected:
        if expectation.measure not in MEASURES:
            raise ValueError(f"schemas/expectations.toml: '{expectation.measure}' is not measured")
        if expectation.measure not in frame:
            continue
        values = frame[expectation.measure].astype("float64")
        if expectation.about == "channel":
            values = values.where(frame["channel"].isin(list(expectation.channels)))
        columns[expectation.name] = values
    wide = pd.DataFrame(columns)
    bounds = {e.name: (e.low, _high(e, farm)) for e in expected if e.name in wide}
    failed = _run(wide, bounds)
    for expectation in expected:
        for index in failed.get(expectation.name, ()):
            yield expectation, rows[index], float(wide[expectation.name].iloc[index])


def _run(
    frame: pd.DataFrame, bounds: Mapping[str, tuple[float | None, float | None]]
) -> dict[str, list[int]]:
    """Rows of ``frame`` whose column lies outside its bounds, by column; empty values pass."""
    bounds = {column: ends for column, ends in bounds.items() if _any_outside(frame[column], *ends)}
    if not bounds:
        return {}
    gx = _great_expectations()
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = gx.data_context.types.base.ProgressBarsConfig(globally=False)
    asset = context.data_sources.add_pandas("measures").add_dataframe_asset("deliveries")
    batch = asset.add_batch_definition_whole_dataframe("all").get_batch({"dataframe": frame})
    suite = gx.ExpectationSuite(
        name="deliveries",
        expectations=[
            gx.expectations.ExpectColumnValuesToBeBetween(column=column, min_value=low, max_value=high)
            for column, (low, high) in bounds.items()
        ],
    )
    outcome = batch.validate(suite, result_format={"result_format": "COMPLETE"})
    failed: dict[str, list[int]] = {}
    for result in outcome.results:
        column = result.expectation_config.kwargs["column"]
        if result.exception_info.get("raised_exception"):
            raise RuntimeError(f"{column}: {result.exception_info['exception_message']}")
        failed[column] = [int(i) for i in result.result.get("unexpected_index_list") or []]
    return failed


def _any_outside(values: pd.Series, low: float | None, high: float | None) -> bool:
    """Whether a column can fail at all."""
    below, above = low is not None and values.min() < low, high is not None and values.max() > high
    return bool(below or above)


def _great_expectations() -> Any:
    """The library, silent and without telemetry."""
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    logging.getLogger("great_expectations").setLevel(logging.ERROR)
    import great_expectations

    return great_expectations


def _high(expectation: BatchExpectation, farm: Farm) -> float | None:
    if expectation.high_from_farm is None:
        return expectation.high
    return float(getattr(farm.thresholds, expectation.high_from_farm))


def _sentence(expectation: BatchExpectation, row: dict[str, Any], value: float, high: float | None) -> str:
    limit = high if high is not None and value > high else expectation.low
    channel = row.get("channel")
    filled = {
        "value": f"{value:.1f}".removesuffix(".0"),
        "duration": in_words(value),
        "limit": f"{limit:g}" if limit is not None else "",
        "machine": row.get("machine") or "the machine",
        "channel": _spoken(channel) if isinstance(channel, str) else "",
    }
    sentence = expectation.sentence
    for name, text in filled.items():
        sentence = sentence.replace("{" + name + "}", text)
    return sentence[:1].upper() + sentence[1:]


def _spoken(channel: str) -> str:
    """The channel as people say it: its name without the unit."""
    return without_unit(channel).removesuffix("_signal").replace("_", " ")


def in_words(hours: float) -> str:
    """A duration as "3 h 12 min", "12 min" or, from two days on, "12 days"."""
    minutes = round(hours * 60)
    if minutes >= 2 * 24 * 60:
        return f"{minutes // (24 * 60)} days"
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
