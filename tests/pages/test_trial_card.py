"""The cab card: offline, by touch, on paper; its settings log goes back through the reader and the matching."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from builders.trials import stored
from chaffinch.dashboards.pages.trial_card import trial_card
from chaffinch.pipelines.estimate.data.changes import real_adjustments
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.discover import find_files
from chaffinch.pipelines.trials.design.planned_trial import PlannedTrial, TrialRequest, plan_trial
from chaffinch.pipelines.trials.done.matching import match_trials
from chaffinch.schemas.tables import tables

REQUEST = TrialRequest("Combine A", ("fan_speed",), (("1000", "1050"),), tell_percent=40, hours=2.5, seed=5)
MORNING = datetime(2026, 8, 1, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def planned(made_up) -> PlannedTrial:
    return plan_trial(made_up.friendly_lake(), Farm(), REQUEST)


@pytest.fixture(scope="module")
def card(planned, tmp_path_factory) -> Path:
    file = tmp_path_factory.mktemp("card") / "card.html"
    file.write_bytes(trial_card(planned, Farm(), 2, "trial.toml"))
    return file


@pytest.mark.seconds
def test_a_whole_trial_by_touch_without_a_network(visit, card, planned, tmp_path):
    seen = visit(width=390, touch=True)
    seen.window.set_offline(True)
    page = seen.open(card)
    steps = planned.plan.steps
    moments = [MORNING + timedelta(minutes=12 * k) for k in range(len(steps))]
    page.clock.install(time=MORNING)
    for k, moment in enumerate(moments):
        page.clock.set_fixed_time(moment)
        page.locator(f"[data-{'already' if k == 0 else 'tap'}='{k}']").tap()
        if k == 1:
            # The battery dies in between: what was tapped is kept.
            page.reload()
    assert page.locator("li.done").count() == len(steps)
    page.locator("#other [name=setting]").fill("rotor_speed")
    page.locator("#other [name=value]").fill("900")
    page.locator("#other button").tap()
    with page.expect_download() as saved:
        page.locator("#save").tap()
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    saved.value.save_as(inbox / saved.value.suggested_filename)
    assert seen.said == []
    parsed = read(next(iter(find_files(inbox))), Farm(), [])
    assert parsed.kind == "settings log"
    assert parsed.adjustments is not None
    log = tables()["adjustments"].conform(
        parsed.adjustments.with_columns(pl.lit("d").alias("delivery"), pl.lit("f").alias("file"))
    )
    found, marked = match_trials(stored(planned.plan), {"Combine A": real_adjustments(log)}, {})
    assert found["step_status"].to_list() == ["done"] * len(steps)
    assert found["status"][0] == "finished"
    assert found["done_at"].to_list()[1:] == moments[1:]
    assert marked["Combine A"].filter(pl.col("trial").is_not_null()).height == len(steps) - 1
    assert set(marked["Combine A"]["setting"]) == {"fan_speed", "rotor_speed"}


def test_the_last_tap_can_be_taken_back(visit, card):
    page = visit(width=390, touch=True).open(card)
    page.locator("[data-tap='0']").tap()
    page.locator("[data-tap='1']").tap()
    page.locator("#undo").tap()
    assert page.locator("li.done").count() == 1
    assert len(page.locator("#text").input_value().splitlines()) == 2


def test_when_the_time_is_up_it_asks_to_finish_the_pass(visit, card, planned):
    page = visit(width=390, touch=True).open(card)
    page.clock.install(time=MORNING)
    page.reload()
    page.locator("[data-tap='0']").tap()
    minutes = planned.plan.steps[0].minutes
    assert page.locator("#now").inner_text() == f"Step 1: {minutes:g} min left, then step 2."
    page.clock.fast_forward(int(60_000 * minutes) + 20_000)
    assert page.locator("#now").inner_text() == "Time is up: finish this pass, then step 2."


@pytest.mark.parametrize("width", [390, 800, 1440])
def test_the_card_fits_every_width_and_gloves(visit, card, width):
    seen = visit(width=width)
    page = seen.open(card)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    heights = page.evaluate("[...document.querySelectorAll('button, .button')].map(b => b.offsetHeight)")
    # Larger than the 44 px of WCAG 2.2, success criterion 2.5.5: a gloved finger (common practice, no source).
    assert min(heights) >= 60
    assert [url for url in seen.asked if not url.startswith(("file:", "data:", "blob:"))] == []


def test_it_is_one_page_of_paper(visit, card):
    page = visit().open(card)
    pdf = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


@pytest.fixture(scope="module")
def of_two_settings(made_up) -> PlannedTrial:
    both = TrialRequest("Combine A", ("fan_speed", "upper_sieve_opening"), (("1000", "1050"), ("12", "14")))
    return plan_trial(made_up.friendly_lake(), Farm(), replace(both, tell_percent=60, hours=5, seed=3))


def test_of_two_settings_the_one_that_stays_is_said(of_two_settings):
    text = trial_card(of_two_settings, Farm(), 0, "trial.toml").decode()
    steps = of_two_settings.plan.steps
    same = [
        sum(a == b for a, b in ((one.value, last.value), (one.second_value, last.second_value)))
        for last, one in zip(steps[:-1], steps[1:], strict=True)
    ]
    # Each step changes one of the two.
    assert same == [1] * len(same)
    assert text.count('class="set stays"') == len(same)


def test_a_long_trial_is_one_page_of_paper_too(of_two_settings, visit, tmp_path):
    planned = of_two_settings
    order = tuple(state for _ in range(4) for state in planned.design.order[:8])
    steps = tuple(planned.plan.steps[0] for _ in order)
    plan = planned.plan.model_copy(update={"steps": steps})
    file = tmp_path / "card.html"
    file.write_bytes(trial_card(replace(planned, plan=plan), Farm(), 4, "trial.toml"))
    pdf = visit().open(file).pdf(prefer_css_page_size=True)
    assert len(steps) == 32
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


def test_it_names_nothing_outside_and_shows_the_cautions(card):
    text = html.unescape(card.read_text(encoding="utf-8"))
    assert "http://" not in text.replace("http://www.w3.org/", "") and "https://" not in text
    for words in ("Stop the engine", "maker's manual", "loss check", "in the headland"):
        assert words in text


def test_a_value_never_run_is_said_with_what_was(made_up):
    request = replace(REQUEST, values=(("1000", "1400"),))
    planned = plan_trial(made_up.friendly_lake(), Farm(), request)
    text = trial_card(planned, Farm(), 0, "trial.toml").decode()
    assert "has never worked at fan speed 1400" in text


def test_hostile_names_stay_text(made_up, visit, tmp_path):
    name = '</script><script>alert(1)</script>",=1'
    planned = plan_trial(made_up.friendly_lake(), Farm(), replace(REQUEST, name=name))
    file = tmp_path / "card.html"
    file.write_bytes(trial_card(planned, Farm(), 0, "trial.toml"))
    seen = visit(width=390, touch=True)
    page = seen.open(file)
    assert page.title() == name
    page.locator("[data-tap='0']").tap()
    assert page.locator("li.done").count() == 1
    assert seen.said == []
