"""``trial.toml`` read, refused and written."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.errors import DeclarationError, UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.kinds.trial_plan_file import is_trial, read_trial_plan
from chaffinch.pipelines.trials.written.trial_plan import as_toml, parse_trial
from hypothesis import given
from hypothesis import strategies as st

PLAN = """
# from the contract
[trial]
name = "Fan in wheat"
machine = "Combine A"
crop = "wheat"
setting = "fan_speed"
unit = "rpm"
values = [1000, 1050]
seed = 7

[[step]]
value = 1000
minutes = 12
[[step]]
value = 1050.0
minutes = 24
[[step]]
value = 1000
passes = 4
"""
SECOND = 'second_setting = "concave_clearance"\nsecond_values = [12, 14]\n'


def test_the_contract_is_read():
    plan = parse_trial(PLAN)
    assert (plan.name, plan.machine, plan.crop, plan.setting, plan.unit, plan.seed) == (
        "Fan in wheat", "Combine A", "wheat", "fan_speed", "rpm", 7,
    )  # fmt: skip
    assert [(s.value, s.minutes, s.passes) for s in plan.steps] == [
        ("1000", 12, None), ("1050", 24, None), ("1000", None, 4),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[trial]", "[tral]", "'tral' is not an entry of a trial; did you mean 'trial'"),
        ('name = "Fan in wheat"\n', "", "name is missing"),
        ("fan_speed", "fan sped", "'fan sped' is not a setting of the catalogue; did you mean 'fan_speed'"),
        ("fan_speed", "engine_mood", "is not a setting of the catalogue"),
        ("values = [1000, 1050]", "values = [1000, 99000]", "outside what any machine has"),
        ("values = [1000, 1050]", "values = [1000]", "values: two or more are needed"),
        ("seed = 7", 'seed = "one"', "seed: a whole number is needed"),
        ("minutes = 24", 'minutes = "ten"', "step 2, minutes: a number is needed"),
        ("values = [1000, 1050]", "values = [1000, 1050, 1000]", "not all different"),
        ("values = [1000, 1050]", "values = [1000, 1050, 1100]", "o step has the value 1100"),
        ("value = 1050.0", "value = 1051", "Step 2: 1051 is not one of the values 1000, 1050"),
        ("value = 1050.0", 'value = "open"', "Step 2: Fan speed is a number in rpm, and 'open' is not one"),
        ("minutes = 24", "minutes = -1", "step 2, minutes"),
        ("minutes = 24", "minutes = 24\npasses = 2", "step 2: give either minutes or passes"),
        ("minutes = 24", "minuts = 24", "step 2, minuts is not an entry of a trial; did you mean 'minutes'"),
        ("seed = 7", "seed = 7\n" + SECOND, "give one value for each setting"),
        ("seed = 7", 'seed = 7\nunit = "mm"', "not valid TOML"),
        ('unit = "rpm"', 'unit = "mm"', "Fan speed"),
        ("seed = 7", "seed = 7\nsteps = 3", "write each step as a table"),
        ('unit = "rpm"', "unit = 3", 'unit: a text is needed, such as "rpm"'),
        ('crop = "wheat"', "crop = 3", "crop: a text is needed"),
        ("values = [1000, 1050]", "values = 1000", "values: a list is needed"),
        ("seed = 7", 'seed = 7\nsecond_setting = "concave_clearance"', "Give both second_setting and second_values"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_sentence(old: str, new: str, says: str):
    with pytest.raises(DeclarationError) as refused:
        parse_trial(PLAN.replace(old, new, 1))
    sentence = str(refused.value)
    assert says in sentence
    assert "\n" not in sentence and sentence.endswith(".")


def test_a_service_has_no_values_to_compare():
    with pytest.raises(DeclarationError, match="is a service"):
        parse_trial(PLAN.replace("fan_speed", "knife_sharpened"))


def test_words_and_other_units_become_the_catalogues():
    plan = parse_trial(
        PLAN.replace("fan_speed", "Chopper speed").replace('unit = "rpm"\n', "")
        .replace("[1000, 1050]", '["Fast", "slow"]').replace("value = 1000", 'value = "LOW"')
        .replace("value = 1050.0", 'value = "high"')
    )  # fmt: skip
    assert (plan.setting, plan.values) == ("chopper_speed", ("high", "low"))
    assert [s.value for s in plan.steps] == ["low", "high", "low"]


def test_an_unreadable_plan_is_refused_with_its_file():
    for content, says in ((b"[trial]\nname = \xff", "UTF-8"), (b"[trial]\nname = 3", "no steps")):
        with pytest.raises(UnreadableFile, match=says):
            read_trial_plan("a.toml", content, Farm())


def test_rows_keep_every_step_with_its_line():
    parsed = read_trial_plan("inbox/any name.txt", PLAN.encode(), Farm())
    assert parsed.kind == "trial" and parsed.rows_read == 3
    assert parsed.trials is not None
    assert parsed.trials["row"].to_list() == [12, 15, 18]
    assert parsed.trials["step_status"].to_list() == ["planned"] * 3


def test_aliases_of_machine_and_crop_are_resolved():
    farm = Farm.model_validate({"machines": {"North": {"aliases": ["combine a"]}}})
    parsed = read_trial_plan("t.toml", PLAN.replace('"wheat"', '"Winter Wheat"').encode(), farm)
    assert parsed.trials is not None
    assert parsed.trials["machine"].unique().to_list() == ["North"]


def test_kind_is_seen_by_content():
    assert is_trial(PLAN) and is_trial("[[step]]\nvalue=1") and is_trial("\n\n[ trial ]")
    assert not is_trial("[machines]\n") and not is_trial("time,machine\n") and not is_trial("")


@given(
    st.text(min_size=1, max_size=30).filter(lambda text: text.strip() != ""),
    st.text(min_size=1, max_size=30),
    st.lists(st.sampled_from([950, 1000.5, 1050]), min_size=3, max_size=12),
    st.floats(0.1, 600),
)
def test_what_is_written_is_read_back(name: str, machine: str, order: list[float], minutes: float):
    values = sorted({str(v) for v in order} | {"950", "1050"})
    steps = [{"value": value, "minutes": round(minutes, 1)} for value in (*order, 950, 1050, 1000.5)]
    plan = parse_trial(PLAN).model_validate(
        {"name": name, "machine": machine, "setting": "fan_speed", "unit": "rpm", "seed": 1}
        | {"values": tuple(sorted({"950", "1050", "1000.5"} | set(values))), "crop": None}
        | {"steps": [{"value": str(s["value"]), "minutes": s["minutes"]} for s in steps]}
    )
    again = parse_trial(as_toml(plan))
    assert again == plan
