"""What, in no log, would have to begin with a change to explain its effect, as a field page says it."""

from __future__ import annotations

from typing import Any

import pytest
from chaffinch.dashboards.words.shown_changes import outcome_of


def row(**more: Any) -> dict[str, Any]:
    found: dict[str, Any] = dict.fromkeys(("absolute", "absolute_unit", "reasons"))
    for name, values in (("percent", (31.0, 14.0, 51.0)), ("log_ratio", (0.27, 0.13, 0.41))):
        found |= dict(zip((name, f"{name}_low", f"{name}_high"), values, strict=True))
    return found | {"outcome": "cleaning_loss", "verdict": "more"} | more


@pytest.mark.parametrize(
    ("percent", "share", "said"),
    [
        (22.0, 0.031, "Cleaning loss: an unlogged bad patch (+22 %) starting within a minute of the change would "
         "explain this. Of the moments tried without a change, 3 % showed a step as large."),
        (-18.0, 0.0, "Cleaning loss: an unlogged good patch (−18 %) starting within a minute of the change would "
         "explain this. Of the moments tried without a change, none showed a step as large."),
        (22.0, None, "Cleaning loss: an unlogged bad patch (+22 %) starting within a minute of the change would "
         "explain this."),
    ],
)  # fmt: skip
def test_the_step_and_how_often_one_as_large_is_seen(percent, share, said):
    outcome = outcome_of(row(hidden_step_percent=percent, hidden_step_share=share))
    assert outcome.explained_away.replace("\u202f", " ").replace("\u00a0", " ") == said


def test_nothing_is_said_of_a_verdict_that_calls_nothing():
    assert outcome_of(row()).explained_away == ""
    assert outcome_of(row(hidden_step_percent=5.0, verdict="no clear change")).explained_away == ""
