"""The start sheet: where each value is from, and what is ranked against a symptom, worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest
from chaffinch.dashboards.paper.printing import count_pages, print_pdf
from chaffinch.dashboards.start_sheet.collected import used_last
from chaffinch.dashboards.start_sheet.sheet import Said, Sheeted, start_sheet
from chaffinch.dashboards.start_sheet.start_values import start_values
from chaffinch.dashboards.start_sheet.what_to_change import HERE, NOT_TRIED, TRIED_OPEN, what_to_change
from chaffinch.dashboards.words.begun_trials import BegunTrial
from chaffinch.dashboards.words.next_season import IN_TRIAL, KEEP_IT, STILL_OPEN, Advice
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.pipelines.estimate.responses.best_value import BestValue
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import tables

LAST = datetime(2026, 7, 20, tzinfo=UTC)


def row(setting: str, outcome: str, log_ratio: float, chance_less: float, **more: Any) -> dict[str, Any]:
    """A row of ``effects`` of one machine; per usual step up unless it has positions."""
    declared = settings()[setting]
    made = {
        "scope": "machine", "machine": "Combine A", "crop": "wheat", "setting": setting, "outcome": outcome,
        "log_ratio": log_ratio, "log_ratio_low": log_ratio - 0.1, "log_ratio_high": log_ratio + 0.1,
        "percent": 100 * math.expm1(log_ratio), "percent_low": 100 * math.expm1(log_ratio - 0.1),
        "percent_high": 100 * math.expm1(log_ratio + 0.1), "chance_less": chance_less, "unit": declared.unit or None,
        "verdict": "no clear change", "reasons": [], "adjustments_pooled": 3,
        "per_step": declared.step if declared.kind == "number" else None,
    }  # fmt: skip
    return made | more


def effects(*rows: dict[str, Any]) -> pl.DataFrame:
    table = tables()["effects"]
    frame = pl.DataFrame(list(rows), schema_overrides=dict(table.polars_schema())) if rows else table.empty()
    return table.conform(frame)


def against(outcome_words: str, *rows: dict[str, Any], used: dict[str, tuple[str, float]] | None = None):
    starts = start_values("Combine A", "wheat", [], used or {}, {}, Farm())
    return dict(what_to_change("Combine A", "wheat", effects(*rows), starts))[outcome_words]


def test_settings_changed_together_start_from_their_values_and_one_in_a_trial_from_its_plan():
    both = Advice(
        "Combine A", "wheat", "threshing_speed and concave_clearance", None, KEEP_IT, "900 and 14", "850 and 12",
        outcome(0.95), None, None, changed_together="Threshing speed 900 → 850 rpm and Concave clearance 14 → 12 mm",
    )  # fmt: skip
    begun = BegunTrial("under way", "under way: 4 more switches should settle it", ("8", "9"))
    sieve = Advice(
        "Combine A",
        "wheat",
        "lower_sieve_opening",
        "mm",
        IN_TRIAL,
        "8",
        "9",
        outcome(0.84),
        None,
        None,
        begun,
    )
    found = start_values("Combine A", "wheat", [both, sieve], {}, {}, Farm())
    by_name = {one.setting.name: one for one in found}
    assert (
        by_name["threshing_speed"].shown == "850\u00a0rpm"
        and by_name["concave_clearance"].shown == "12\u00a0mm"
    )
    assert "against 900, with concave clearance changed too" in by_name["threshing_speed"].why
    assert by_name["lower_sieve_opening"].shown == "8 or 9\u00a0mm"
    assert "4 more switches" in by_name["lower_sieve_opening"].why
    own = replace(both, setting="concave_clearance", before="14", after="16", changed_together="")
    later = start_values("Combine A", "wheat", [own, both], {}, {}, Farm())
    assert {one.setting.name: one.value for one in later}["concave_clearance"] == "16"


def test_what_it_did_comes_first_by_size_then_what_was_never_tried_then_what_is_open():
    found = against(
        "Separation loss high",
        row("rotor_speed", "separation_loss", -0.2, 0.99, tried_low=850.0, tried_high=950.0),
        row("concave_clearance", "separation_loss", 0.4, 0.01, tried_low=10.0, tried_high=14.0),
        row("header_height", "separation_loss", -0.05, 0.6),
        used={"rotor_speed": ("950", 3.0), "concave_clearance": ("12", 3.0)},
    )
    assert [(one.do, one.known) for one in found[:2]] == [
        ("Concave clearance down 2\u00a0mm", HERE),
        ("Separation rotor speed up 50\u00a0rpm", HERE),
    ]
    # e^-0.4 - 1 = -33 %, e^-0.2 - 1 = -18 %: from a table of exponentials.
    assert found[0].found.startswith("−33\u00a0% (") and found[1].found.startswith("−18\u00a0% (")
    assert not found[0].beyond and found[1].beyond  # 12 - 2 was tried, 950 + 50 was not
    kinds = [one.known for one in found[2:]]
    assert kinds == sorted(kinds) and found[-1].known == TRIED_OPEN and "open" in found[-1].found
    never = [one for one in found if one.known == NOT_TRIED]
    assert never and all(one.found == "not tried here; usually helps" for one in never)
    # Common practice: threshing faster separates more (expected sign of the catalogue).
    assert any(one.do == "Threshing speed up 50\u00a0rpm" for one in never)
    declared = [settings()[one.setting].sign_of("separation_loss") for one in never]
    assert set(declared) <= {"+", "-"}


def test_trade_offs_are_those_of_the_same_changes_in_the_same_direction():
    found = against(
        "Separation loss high",
        row("rotor_speed", "separation_loss", 0.2, 0.01),
        row("rotor_speed", "cleaning_loss", -0.1, 0.95),
        row("rotor_speed", "broken_grain", 0.1, 0.05),
        row("rotor_speed", "returns", -0.1, 0.6),
    )
    assert found[0].do == "Separation rotor speed down 50\u00a0rpm"
    # Cleaning loss falls when raised, so it rises when lowered; broken grain falls; tailings are open.
    assert found[0].costs == ("cleaning loss +11\u00a0%",)


def test_a_fleet_answers_where_the_machine_does_not_and_says_so():
    found = against(
        "Cleaning loss high",
        row("fan_speed", "cleaning_loss", -0.2, 0.99, scope="season", machine=None),
        row("fan_speed", "cleaning_loss", 0.02, 0.45),
    )
    assert found[0].do == "Fan speed up 50\u00a0rpm" and "all machines" in found[0].found


def test_a_position_at_its_end_is_not_offered():
    change = row("chopper_speed", "capacity", 0.1, 0.02, from_value="high", to_value="low")
    offered = against("Output too low", change, used={"chopper_speed": ("high", 2.0)})
    assert offered[0].do == "Chopper speed high → low"
    there = against("Output too low", change, used={"chopper_speed": ("low", 2.0)})
    assert all(one.setting != "chopper_speed" for one in there)


def test_capacity_is_better_when_it_rises():
    found = against("Output too low", row("upper_sieve_opening", "capacity", 0.1, 0.02))
    assert found[0].do == "Upper sieve opening up 2\u00a0mm" and found[0].found.startswith("+11\u00a0%")


def outcome(chance_less: float) -> Outcome:
    logs = (-0.1, -0.2, 0.0)
    percents = [100 * math.expm1(one) for one in logs]
    return Outcome("machine_loss", "no clear change", *percents, *logs, None, (), chance_less=chance_less)


def test_evidence_comes_before_use_and_use_before_common_practice():
    advice = [
        Advice("Combine A", "wheat", "fan_speed", "rpm", KEEP_IT, "1000", "1050", outcome(0.95), None, None),
        Advice(
            "Combine A", "wheat", "rotor_speed", "rpm", STILL_OPEN, "850", "900", outcome(0.6), None, None
        ),
    ]
    used = {
        "fan_speed": ("990", 4.0),
        "upper_sieve_opening": ("14", 2.5),
        "feeder_drum_position": ("high", 1.0),
    }
    farm = parse_farm('[machines."Combine A"]\ndrum_diameter_m = 0.6\n')
    found = start_values("Combine A", "wheat", advice, used, {"fan_speed": (1000.0, 1050.0)}, farm)
    by_name = {one.setting.name: one for one in found}
    shown = {name: (one.shown, one.by, one.strength) for name, one in by_name.items()}
    assert shown["fan_speed"] == ("1050\u00a0rpm", "evidence", "95\u00a0% likely")
    assert "tried: 1000 to 1050" in by_name["fan_speed"].why
    assert shown["rotor_speed"] == ("900\u00a0rpm", "last used", "open")
    assert shown["upper_sieve_opening"] == ("14\u00a0mm", "last used", "not tested")
    assert shown["feeder_drum_position"] == ("high", "last used", "not tested")
    # Common practice of the catalogue, with its source; a drum's in rpm where its diameter is stated.
    assert shown["chopper_speed"][:2] == ("high", "common practice")
    assert by_name["chopper_speed"].source == "common practice, no source"
    assert "rpm" in shown["threshing_speed"][0] and shown["threshing_speed"][1] == "common practice"
    assert shown["deck_plate_gap"][1] == "unknown"
    assert {one.setting.kind for one in found}.isdisjoint({"service"})
    assert [one.setting.name for one in found] == [n for n in settings() if n in by_name]


def test_all_machines_answer_where_this_one_works_as_they_do_or_has_no_log():
    best = BestValue(
        None, "wheat", "fan_speed", "rpm", "machine_loss", 1000.0, 1000.0, 1000.0, 1050.0, 950.0, 1100.0, -0.2, -0.3,
        -0.1, None, None, None, 0.9, 0.2, None, 5,
    )  # fmt: skip

    def fan(used: dict[str, tuple[str, float]], one: BestValue = best):
        found = start_values("Combine B", "wheat", [], used, {}, Farm(), [one])
        return next(each for each in found if each.setting.name == "fan_speed")

    for used in ({}, {"fan_speed": ("1050", 2.0)}):
        assert (fan(used).shown, fan(used).by) == ("1000\u00a0rpm", "evidence")
        assert (
            "All machines: machine loss −18\u00a0% (−26 to −9.5) against 1050; tried: 950 to 1100."
            in fan(used).why
        )
    # The curve is about 1050 rpm in use; of 1100 rpm it says nothing here.
    assert fan({"fan_speed": ("1100", 2.0)}).shown == "1100\u00a0rpm"
    unclear = replace(best, log_ratio=-0.01, log_ratio_low=-0.2, log_ratio_high=0.18)
    assert (fan({}, unclear).shown, fan({}, unclear).by) == ("1050\u00a0rpm", "last used")
    assert fan({"fan_speed": ("1050", 2.0)}, unclear).why.startswith("In use last")


def test_the_value_used_last_is_that_of_the_last_field_with_its_hours_over_all():
    fields = [
        {"in_use": [["fan_speed", "1000 rpm", 90.0], ["chopper_speed", "low", 60.0]]},
        {"in_use": [["fan_speed", "1050 rpm", 60.0], ["fan_speed", "1000 rpm", 30.0]]},
    ]
    assert used_last(fields) == {"fan_speed": ("1050", 1.0), "chopper_speed": ("low", 1.0)}


@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_sheet_full_of_evidence_is_one_page(units):
    numbers = [s for s in settings().values() if s.kind == "number"]
    rows = [row(s.name, name, -0.2, 0.99) for s in numbers for name in ("separation_loss", "cleaning_loss")]
    rows += [
        row(s.name, name, 0.2, 0.01) for s in numbers for name in ("broken_grain", "non_grain", "returns")
    ]
    used = {
        s.name: ("a position with a long name" if s.positions else "10", 5.0) for s in settings().values()
    }
    about = Sheeted(
        "A machine with a rather long name, number 27", "wheat", [], effects(*rows), used, LAST, 40
    )
    farm = parse_farm(f"units = '{units}'")
    sheet = start_sheet(about, Said.of(about, farm), farm)
    assert count_pages(sheet) == 1
    assert print_pdf(sheet, LAST) == print_pdf(sheet, LAST)
