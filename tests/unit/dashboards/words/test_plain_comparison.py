"""The plain comparison is shown where it misleads, and only there."""

from __future__ import annotations

import pytest
from chaffinch.dashboards.words.shown_changes import Outcome


def outcome(plain: float | None, verdict: str = "less", reasons: tuple[str, ...] = ()) -> Outcome:
    """Separation loss down 20 % (10 to 30 %)."""
    return Outcome(
        "separation_loss", verdict, -20.0, -30.0, -10.0, -0.22, -0.36, -0.11, None, reasons, None, plain
    )


@pytest.mark.parametrize("plain", [-29.0, -11.0, None])
def test_nothing_is_said_where_the_plain_comparison_lies_in_the_range_or_is_not_known(plain):
    assert outcome(plain).misleading_comparison == ""


def test_what_lies_outside_is_said_with_its_direction():
    assert outcome(43.0).misleading_comparison == "separation loss up 43\u00a0%."
    assert outcome(-60.0).misleading_comparison == "separation loss down 60\u00a0%."


def test_a_spike_before_the_change_explains_it():
    result = outcome(-60.0, reasons=("loss_spiked_before",)).misleading_comparison
    assert result == "separation loss down 60\u00a0%. Loss had just spiked and was coming down anyway."


def test_an_effect_without_a_verdict_is_compared_with_nothing():
    assert outcome(-60.0, verdict="cannot tell").misleading_comparison == ""
