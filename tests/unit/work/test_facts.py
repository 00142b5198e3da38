"""Sentences on delays, width, screening and conditions, on logs where each is known."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from builders import driven_ways
from chaffinch.pipelines.work import mark_work
from chaffinch.pipelines.work.conditions import conditions, moisture_drift_pct_h
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, Delays, Lag
from chaffinch.pipelines.work.facts import delay_sentence, work_facts

DELAYS = Delays(Lag(12.0, 0.2, True, ("passes",)), Lag(8.0, 0.2), Lag(8.0, 0.2), Lag(15.0, 0.2))


@pytest.fixture(scope="module")
def marked() -> pl.DataFrame:
    """Passes 8 m apart with a 9 m header; a third of the way east it gets steep; grain dries by 1 % an hour."""
    way = driven_ways.to_and_fro(8.0, passes=24)
    log = driven_ways.readings_of(way, 9.0)
    slope_pct = np.where(way[:, 0] > 120, 25.0, 8.0)
    hours = np.arange(log.height) / 3600
    return mark_work(
        log.with_columns(
            roll_deg=pl.Series(np.degrees(np.arctan(slope_pct / 100))),
            pitch_deg=pl.lit(0.0),
            grain_moisture_pct=pl.Series(17.5 - hours),
        ),
        DELAYS,
    )


def test_width_passes_and_slope_are_in_the_sentences(marked):
    facts = work_facts(marked, DELAYS)
    assert facts.width_m == 9.0
    # 16 used passes on the gentle part: the first finds 9 m, the others 8 m.
    assert facts.effective_width_m == pytest.approx((9 + 15 * 8) / 16, rel=0.01)
    assert facts.narrow_pct == pytest.approx(100 * 15 / 16, abs=2)
    assert facts.steep_pct == pytest.approx(100 * 8 / 24, abs=2)
    assert sum(facts.passes.values()) == 24
    assert facts.logged == ("grain", "moisture")
    text = " ".join(facts.sentences())
    assert "Grain flow: 12.0 s behind the header (11.6 to 12.4 s), from neighbouring passes driven in" in text
    assert "over 20 %, where compensation ends; only the larger part of the ground is used" in text
    assert "loss: " not in text


def test_bands_of_one_condition_add_up_and_say_what_is_kept_apart(marked):
    table = conditions(marked)
    for _, one in table.group_by("kind"):
        assert one["share_pct"].sum() == pytest.approx(100.0)
    slopes = table.filter(pl.col("kind") == "side slope")
    assert slopes["band"].to_list() == ["5 to 10 %", "over 20 %"]
    assert slopes["apart"].to_list() == [False, True]
    assert table.filter(pl.col("kind") == "grain moisture")["band"].to_list() == ["16 to 18 %"]


def test_hours_are_those_of_the_zone(marked):
    """The log starts at 10 h UTC, which in July is 12 h in Berlin."""
    hours = conditions(marked, "Europe/Berlin").filter(pl.col("kind") == "time of day")
    assert hours["band"].to_list() == ["12 to 15 h"]


def test_the_grain_dries_by_what_it_was_made_to(marked):
    assert moisture_drift_pct_h(marked) == pytest.approx(-1.0, abs=0.02)
    assert (
        "The grain became drier by 1.0 percentage points an hour." in work_facts(marked, DELAYS).sentences()
    )


def test_a_default_says_that_it_is_one():
    sentence = delay_sentence("grain", DEFAULT_DELAYS.grain)
    assert "12 s is assumed" in sentence
    assert "To estimate it" in sentence


def test_a_channel_that_the_logger_moved_says_so():
    assert "corrected the delay already, and too much" in delay_sentence("grain", Lag(-3.5, 0.5, True))
    assert "seems to have corrected the delay already" in delay_sentence("grain", Lag(0.3, 0.3, True))
    assert "logger" not in delay_sentence("grain", Lag(12.0, 0.3, True))


def test_no_readings_no_facts_and_no_fault(marked):
    facts = work_facts(marked.head(0), DEFAULT_DELAYS)
    assert facts.left_out_pct == 0
    assert facts.effective_width_m is None
    assert facts.conditions.height == 0
    assert facts.sentences()


def test_the_map_shows_the_width_cut_where_it_varies(marked):
    """Passes 8 m apart but for the first, which cuts all 9 m; and a field of nothing but full passes."""
    from chaffinch.dashboards.figures.field_data import with_quantities
    from chaffinch.dashboards.figures.field_map import layers

    def shown(table: pl.DataFrame) -> list[str]:
        return [layer.column for layer in layers(with_quantities(table), calibrated=False)]

    assert "cut_width" in shown(marked)
    full = driven_ways.readings_of(driven_ways.to_and_fro(9.0, passes=6), 9.0)
    assert "cut_width" not in shown(mark_work(full, DELAYS))
