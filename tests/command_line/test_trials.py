"""Trials through the command line: planned, driven by a simulated operator, ingested, judged, taken out again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.simulate.files.inbox_of_season import write_season_files
from chaffinch.pipelines.simulate.scenario import Effects, Operator, Scenario
from chaffinch.pipelines.trials.written.trial_plan import PlannedStep, TrialPlan, as_toml

ORDER = (0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 1, 0)
VALUES = ("1050", "1000")
MINUTES = 12.0
# Fan speed acts on cleaning loss alone; a step down is -0.5 on the log scale: -39 %.
TRUE_LOG = -0.5


def script(order: Sequence[int], minutes: float, lead: float = 6.0):
    """The operator's changes: (minute, ((setting, steps),)); value 1 is a step down from value 0."""
    moves, level = [], 0
    for k, value in enumerate(order):
        if -value != level:
            moves.append((lead + k * minutes, (("fan_speed", -value - level),)))
            level = -value
    return tuple(moves)


def plan(**more) -> TrialPlan:
    steps = [PlannedStep(value=VALUES[k], minutes=MINUTES) for k in ORDER]
    about = {"name": "Fan", "machine": "Combine A", "crop": "wheat", "setting": "fan_speed", "unit": "rpm"}
    return TrialPlan(**{**about, "values": VALUES, "seed": 1, "steps": steps, **more})


# A second plan, which the middle of what was driven would fit too.
INNER = plan(name="inner", steps=[PlannedStep(value=VALUES[k], minutes=MINUTES) for k in (1, 0, 0, 1)])


@pytest.fixture(scope="module")
def driven(tmp_path_factory) -> Path:
    """A folder with ``inbox`` (with a trial.toml) and ``lake`` of a machine whose operator followed a plan."""
    folder = tmp_path_factory.mktemp("trial")
    scenario = Scenario(
        "trial",
        "one trial",
        fields=1,
        hours=2.6,
        machines=1,
        operator=Operator(script=(script(ORDER, MINUTES),)),
        effects=Effects(stated=(("fan_speed", "cleaning", -TRUE_LOG),), between_fields_sd=0.0),
    )
    write_season_files(folder, scenario, 3)
    (folder / "inbox" / "any name.txt").write_text(as_toml(plan()), encoding="utf-8")
    (folder / "inbox" / "inner.toml").write_text(as_toml(INNER), encoding="utf-8")
    assert run(["ingest", str(folder / "inbox"), "--lake", str(folder / "lake")]) == 0
    assert run(["estimate", "--lake", str(folder / "lake")]) == 0
    return folder


def as_json(capsys, *arguments: object) -> tuple[int, dict]:
    capsys.readouterr()
    code = run([*map(str, arguments), "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_the_answer_holds_the_truth_and_is_enough(driven, capsys):
    code, found = as_json(capsys, "trial", "status", "--lake", driven / "lake", "--trial", "Fan")
    assert code == 0
    (trial,) = found["trials"]
    assert (trial["name"], trial["status"], trial["done"]) == ("Fan", "finished", len(ORDER))
    assert (trial["late"], trial["skipped"], trial["extra"], trial["switches_left"]) == (0, 0, 0, 0)
    assert trial["percent_low"] < 100 * (2.718281828**TRUE_LOG - 1) < trial["percent_high"]
    assert trial["state"] == "enough"
    assert trial["percent_high"] < 0


def test_rows_of_the_trial_are_marked_in_effects(driven):
    effects = Lake.open(driven / "lake").scan("effects").collect()
    marked = effects.filter(effects["trial"] == "Fan")
    assert set(marked["setting"]) == {"fan_speed"}
    assert set(marked["scope"]) == {"adjustment", "field"}
    switches = sum(a != b for a, b in zip(ORDER[:-1], ORDER[1:], strict=True))
    adjustments = marked.filter((marked["scope"] == "adjustment") & (marked["outcome"] == "cleaning_loss"))
    assert adjustments.height == switches


def test_the_order_is_tested_against_other_orders(driven, capsys):
    _, found = as_json(capsys, "trial", "status", "--lake", driven / "lake", "--trial", "Fan")
    (trial,) = found["trials"]
    # Three mirrored blocks, all with less loss at the second value: 2 of 8 orders show as much.
    assert (trial["blocks"], trial["blocks_agreeing"], trial["randomisation_p"]) == (3, 3, 0.25)


def test_pages_and_report_lead_with_the_trial(driven, tmp_path):
    lake = ["--lake", str(driven / "lake")]
    assert run(["pages", *lake, "--site", str(tmp_path / "site")]) == 0
    page = next(one for one in (tmp_path / "site" / "trials").iterdir() if "trial-fan" in one.name)
    text = page.read_text(encoding="utf-8")
    for words in ("Enough is known: 1000 rpm loses less", "3 of 3 mirrored blocks agree", "Stop the engine"):
        assert words in text
    for name in ("index", "nightly", "season", "fields/*", "machines/*"):
        (listing,) = (tmp_path / "site").glob(f"{name}.html")
        assert page.name in listing.read_text(encoding="utf-8"), name
    assert run(["season", *lake, "--year", "2026", "--out", str(tmp_path / "report.html")]) == 0
    assert "Enough is known: 1000 rpm loses less" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_trial_is_planned_from_the_lake(driven, tmp_path, capsys):
    out = tmp_path / "card.html"
    arguments = [
        "trial",
        "plan",
        "--lake",
        driven / "lake",
        "--machine",
        "combine a",
        "--setting",
        "Fan speed",
    ]
    arguments += ["--values", "1000,1050", "--tell", "25", "--hours", "3", "--seed", "4", "--out", out]
    code, found = as_json(capsys, *arguments)
    assert code == 0
    contract = "name setting values hours switches seed se_log smallest_percent steps card plan"
    assert set(contract.split()) <= found.keys()
    assert found["setting"] == "fan_speed" and found["values"] == ["1000", "1050"] and found["seed"] == 4
    assert found["smallest_percent_of_switches"] <= 25
    # Told with 80 % power by a 95 % range (normal quantiles; common practice).
    told = 100 * -np.expm1(-(1.959964 + 0.841621) * found["se_log"])
    assert found["smallest_percent"] == pytest.approx(told, rel=1e-4)
    # The error that the answer will state: from the switches, and from what stays open about the signals.
    parts = np.hypot(found["se_of_switches_log"], found["se_of_signals_log"])
    assert found["se_log"] == pytest.approx(parts) and found["se_of_signals_log"] > 0
    assert sum(step["minutes"] for step in found["steps"]) == pytest.approx(60 * found["hours"])
    assert len(found["steps"]) == found["switches"] + 1
    assert Path(found["plan"]) == tmp_path / "trial.toml"
    first = out.read_bytes(), (tmp_path / "trial.toml").read_text(encoding="utf-8")
    assert as_json(capsys, *arguments)[1] == found
    assert (out.read_bytes(), (tmp_path / "trial.toml").read_text(encoding="utf-8")) == first
    # Another trial beside it does not overwrite the first plan.
    other = as_json(capsys, *arguments[:-3], "5", "--out", tmp_path / "other.html")[1]
    assert Path(other["plan"]) == tmp_path / "other.trial.toml"


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--machine", "Combine B"), "No log names a machine 'Combine B'; did you mean 'Combine A'"),
        (("--setting", "fanspeeed"), "is not a setting of the catalogue; did you mean 'fan_speed'"),
        (("--values", "1000,9000"), "outside what any machine has"),
        (("--values", "1000"), "a trial compares two or three values, not 1"),
        (("--values", "1000,open"), "is a number in rpm, and 'open' is not one"),
        (("--values", "1000,1000.0"), "not all different"),
        (("--tell", "2", "--hours", "1"), "not even 40 h would do. Give --tell"),
        (("--hours", "0.25"), "too short"),
        (("--out", "card.txt"), "must end in .html"),
        (("--crop", "wheet"), "No log names a crop 'wheet'; did you mean 'wheat'"),
        (("--name", "x" * 200), "name: it is too long"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_in_one_sentence(driven, tmp_path, capsys, more, says):
    given = {"--machine": "Combine A", "--setting": "fan_speed", "--values": "1000,1050", "--seed": "1"}
    given |= {"--out": str(tmp_path / "card.html")} | dict(zip(more[::2], more[1::2], strict=True))
    code = run(
        ["trial", "plan", "--lake", str(driven / "lake"), *[one for pair in given.items() for one in pair]]
    )
    said = capsys.readouterr().err.strip()
    assert code == 2
    assert says in said and "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


def test_a_value_never_run_is_said(driven, tmp_path, capsys):
    arguments = [
        "trial",
        "plan",
        "--lake",
        driven / "lake",
        "--machine",
        "Combine A",
        "--setting",
        "fan_speed",
    ]
    arguments += ["--values", "1050,1200", "--tell", "25", "--seed", "1", "--out", tmp_path / "card.html"]
    _, found = as_json(capsys, *arguments)
    assert any(
        "never worked at fan speed 1200 rpm (logs show 1000 to 1050 rpm)" in note for note in found["notes"]
    )


def test_without_readings_a_usual_noise_is_assumed_and_said(driven, tmp_path, capsys):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "settings.csv").write_text(
        "time,machine,setting,to_value\n2026-07-20T09:00:00Z,Combine A,fan_speed,1000\n", encoding="utf-8"
    )
    assert run(["ingest", str(inbox), "--lake", str(tmp_path / "lake")]) == 1
    arguments = [
        "trial",
        "plan",
        "--lake",
        tmp_path / "lake",
        "--machine",
        "Combine A",
        "--setting",
        "fan_speed",
    ]
    arguments += ["--values", "1000,1050", "--tell", "20", "--seed", "1", "--out", tmp_path / "card.html"]
    code, found = as_json(capsys, *arguments)
    assert code == 0
    assert "a usual noise was assumed" in found["basis"]


def again_with(driven: Path, folder: Path, *plans: TrialPlan) -> Path:
    """A copy of the lake with further plans ingested, and effects refreshed."""
    shutil.copytree(driven, folder, dirs_exist_ok=True)
    for number, one in enumerate(plans):
        (folder / "inbox" / f"trial_{number}.toml").write_text(as_toml(one), encoding="utf-8")
    run(["ingest", str(folder / "inbox"), "--lake", str(folder / "lake")])
    return folder / "lake"


def test_a_plan_for_a_machine_without_a_log(driven, tmp_path, capsys):
    capsys.readouterr()
    lake = again_with(driven, tmp_path, plan(name="elsewhere", machine="Combine Z"))
    said = capsys.readouterr()
    assert "no harvest log names a machine 'Combine Z'" in said.out + said.err
    _, found = as_json(capsys, "trial", "status", "--lake", lake, "--trial", "elsewhere")
    (trial,) = found["trials"]
    assert (trial["status"], trial["state"], trial["percent"]) == ("planned", "go on", None)
    assert "No harvest log names a machine 'Combine Z' yet" in trial["remarks"][0]
    assert run(["estimate", "--lake", str(lake)]) == 0
    assert run(["check", "--lake", str(lake)]) == 0


def test_each_change_counts_for_one_trial(driven, capsys):
    assert Lake.open(driven / "lake").scan("trials").collect().height == len(ORDER) + 4
    _, found = as_json(capsys, "trial", "status", "--lake", driven / "lake")
    by_name = {one["name"]: one for one in found["trials"]}
    assert by_name["Fan"]["done"] == len(ORDER)
    assert by_name["inner"]["status"] == "planned"
    assert "No logged change matches its steps yet." in by_name["inner"]["remarks"]


@pytest.mark.slow
def test_a_retracted_plan_leaves_its_changes_to_others(driven, tmp_path, capsys):
    lake = again_with(driven, tmp_path)
    assert run(["retract", "any name.txt", "--lake", str(lake)]) == 0
    assert set(Lake.open(lake).scan("trials").collect()["trial"]) == {"inner"}
    effects = Lake.open(lake).scan("effects").collect()
    assert set(effects["trial"].drop_nulls()) == {"inner"}
    assert run(["check", "--lake", str(lake)]) == 0
    _, found = as_json(capsys, "trial", "status", "--lake", lake)
    assert [(one["name"], one["status"]) for one in found["trials"]] == [("inner", "finished")]


def test_a_broken_plan_is_on_record_with_its_sentence(driven, tmp_path, capsys):
    shutil.copytree(driven, tmp_path, dirs_exist_ok=True)
    broken = as_toml(plan()).replace("value = 1000", "value = 1001", 1)
    (tmp_path / "inbox" / "broken.toml").write_text(broken, encoding="utf-8")
    code = run(["ingest", str(tmp_path / "inbox"), "--lake", str(tmp_path / "lake")])
    said = capsys.readouterr().out
    assert code == 1
    assert (
        "broken.toml could not be read: The trial can't be used. Step 2: 1001 is not one of the values"
        in said
    )
    row = Lake.open(tmp_path / "lake").find_delivery("broken.toml")
    assert row["status"] == "could not be read"
