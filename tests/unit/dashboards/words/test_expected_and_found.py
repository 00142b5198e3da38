"""Expected and found: the catalogue's sign turned to the way a setting was moved, never for joint changes."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from chaffinch.dashboards.words.advice import knowledge_of
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.schemas.declarations import settings

AT = datetime(2026, 8, 3, 9, tzinfo=UTC)


def _change(*moved: tuple[str, str | None, str | None, str | None], **verdicts: str) -> ShownChange:
    outcomes = tuple(
        Outcome(name, verdict, 0.0, -1.0, 1.0, 0.0, -0.01, 0.01, None, ())
        for name, verdict in verdicts.items()
    )
    return ShownChange(1, AT, AT, moved, None, outcomes, 1200.0, 1200.0, 10)


def _rows(change: ShownChange) -> dict[str, tuple[str, str, str]]:
    known = knowledge_of(change)
    assert known is not None
    return {e.outcome: (e.expected, e.found, e.agrees) for e in known.expected}


def test_a_drum_slowed_down_in_the_words_of_the_change():
    # Signs: Srison et al. 2016; Chansrakoo & Chuan-Udom 2018; Lashgari et al.; cleaning: common practice.
    rows = _rows(
        _change(
            ("threshing_speed", "800", "750", "rpm"),
            separation_loss="more", cleaning_loss="more", broken_grain="less", returns="less",
        )
    )  # fmt: skip
    assert rows["separation loss"] == ("more", "more", "as usual")
    assert rows["cleaning loss"] == ("less", "more", "opposite")
    assert rows["broken grain"] == ("less", "less", "as usual")
    assert rows["returns (tailings)"] == ("best in between", "less", "")


def test_sources_go_with_the_signs():
    known = knowledge_of(_change(("fan_speed", "1000", "1050", "rpm"), cleaning_loss="less"))
    assert known is not None
    assert "Mirzazadeh" in known.expected[0].source
    assert "742 rpm" in known.optimum
    assert known.does == settings()["fan_speed"].does


def test_words_and_services_have_a_direction():
    opened = _rows(_change(("separator_covers", "closed", "open", None), separation_loss="cannot tell"))
    assert opened["separation loss"] == ("less", "cannot tell", "")
    cleaned = _rows(_change(("sieves_cleaned", None, None, None), cleaning_loss="less"))
    assert cleaned["cleaning loss"] == ("less", "less", "as usual")


def test_what_is_expected_to_do_nothing():
    rows = _rows(
        _change(
            ("chopper_speed", "low", "high", None), cleaning_loss="no clear change", separation_loss="more"
        )
    )
    assert rows["cleaning loss"] == ("nothing", "no clear change", "consistent")
    assert rows["separation loss"] == ("nothing", "more", "unusual")


def test_joint_changes_and_unknown_settings_have_none():
    both = _change(
        ("fan_speed", "1", "2", "rpm"), ("upper_sieve_opening", "1", "2", "mm"), cleaning_loss="less"
    )
    assert knowledge_of(both) is None
    assert knowledge_of(_change(("tyre_pressure", "1", "2", "bar"), cleaning_loss="less")) is None


def test_a_move_of_unknown_direction_is_expected_of_only_where_direction_is_nothing():
    rows = _rows(
        _change(
            ("fan_speed", None, "1050", "rpm"), separation_loss="less", cleaning_loss="less", non_grain="less"
        )
    )
    assert rows == {
        "separation loss": ("nothing", "less", "unusual"),
        "cleaning loss": ("best in between", "less", ""),
    }


@pytest.mark.parametrize(
    ("setting", "sign"),
    [
        ("threshing_speed", "-"),  # declared of its own
        ("fan_speed", "optimum"),  # separation 0, cleaning in between
        ("header_height", "-"),  # both down
        ("chopper_speed", "0"),
        ("separator_covers", None),  # separation up, cleaning down
        ("knife_sharpened", None),
    ],
)
def test_machine_loss_follows_its_parts(setting, sign):
    assert settings()[setting].sign_of("machine_loss") == sign


def test_the_catalogue_is_complete():
    """Whatever an operator adjusts says what it does, what it costs, what to beware of and what to expect."""
    for setting in settings().values():
        assert setting.does, setting.name
        assert setting.caution, setting.name
        assert all(setting.source_of(outcome) for outcome in setting.expected), setting.name
        if setting.kind != "service":
            assert setting.costs, setting.name
            assert {"separation_loss", "cleaning_loss"} <= setting.expected.keys(), setting.name
        if setting.kind == "number":
            assert setting.low is not None, setting.name
            assert setting.high is not None, setting.name
