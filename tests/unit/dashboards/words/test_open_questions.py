"""What would tell what a field's log left open."""

from __future__ import annotations

from datetime import UTC, datetime

from chaffinch.dashboards.words.advice import REMEDIES, open_questions
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.schemas.declarations import reasons

AT = datetime(2026, 8, 3, 9, tzinfo=UTC)


def change(number: int, *said: tuple[str, str, str]) -> ShownChange:
    """A change with outcomes of (name, verdict, reason code)."""
    outcomes = tuple(
        Outcome(name, verdict, -20.0, -35.0, -1.0, -0.22, -0.43, -0.01, None, (code,))
        for name, verdict, code in said
    )
    moved = (("fan_speed", "1000", "1050", "rpm"),)
    return ShownChange(number, AT, AT, moved, None, outcomes, 1200.0, 1200.0, 10)


def test_every_code_that_asks_for_something_is_declared():
    assert set(REMEDIES) <= set(reasons())


def test_an_outcome_with_a_verdict_asks_for_nothing():
    assert open_questions([change(1, ("cleaning_loss", "less", "no_overlap"))]) == []
    (one,) = open_questions([change(1, ("cleaning_loss", "cannot tell", "no_overlap"))])
    assert one[0] == "no_overlap"
