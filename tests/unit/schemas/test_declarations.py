"""The declared knowledge is whole, and a bad declaration fails with one clear sentence."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.schemas.declarations import (
    Channel,
    Combination,
    Crop,
    Reason,
    Setting,
    channels,
    column_names,
    combinations,
    crops,
    index_of_names,
    letters_and_digits,
    parse,
    reasons,
    settings,
)
from chaffinch.schemas.tables import OUTCOMES, tables
from chaffinch.schemas.words.trade_words import crop_names

NO_SOURCE = "common practice, no source"


def test_every_canonical_column_of_the_contract_is_declared():
    # The three settings columns are those the design's inbox contract spells out.
    columns = {s.column for s in settings().values()}
    assert {"threshing_speed_rpm", "concave_clearance_mm", "fan_speed_rpm"} <= columns
    assert {"upper_sieve_opening_mm", "lower_sieve_opening_mm", "rotor_speed_rpm"} <= columns
    assert {"working_width_m", "grain_flow_kg_s", "separation_loss_signal"} <= set(channels())


def test_the_catalogue_covers_every_stage_from_feeder_to_tank():
    adjusted = {s.stage for s in settings().values() if s.kind != "service"}
    assert adjusted == {"feeding", "threshing", "separation", "cleaning", "residue", "grain_tank"}
    services = {s.name for s in settings().values() if s.kind == "service"}
    assert {"grain_pan_cleaned", "stone_trap_emptied", "chain_tensioned"} <= services


def test_no_two_columns_share_a_name_and_no_name_is_listed_twice():
    assert column_names()["chaffer"] == "upper_sieve_opening"
    assert column_names()["cylinderspeed"] == "threshing_speed"
    for declared in (*channels().values(), *settings().values()):
        written = [letters_and_digits(word) for word in declared.synonyms]
        assert len(written) == len(set(written)), declared.name


def test_no_two_crops_share_a_name():
    assert crop_names()["maize"] == "corn"
    assert crop_names()["oilseedrape"] == "canola"


def test_names_of_settings_do_not_hide_the_columns_of_the_other_logs():
    # A settings log and a loss check have columns of their own: no synonym may read as one of them.
    own = {
        "time",
        "date",
        "machine",
        "field",
        "crop",
        "setting",
        "tovalue",
        "fromvalue",
        "unit",
        "note",
        "place",
    }
    own |= {letters_and_digits(c.name) for c in tables()["loss_checks"].columns}
    assert own.isdisjoint(column_names())


def test_every_worded_column_of_readings_is_text_and_every_number_a_number():
    kinds = {c.name: c.kind for c in tables()["readings"].columns}
    for setting in settings().values():
        if setting.kind == "service":
            assert setting.column not in kinds
        else:
            assert kinds[setting.column] == ("number" if setting.kind == "number" else "text")


def test_every_expectation_says_where_it_is_from():
    for setting in settings().values():
        for outcome in setting.expected:
            assert outcome in OUTCOMES
            assert len(setting.source_of(outcome)) > 10
    fan = settings()["fan_speed"]
    assert fan.expected["cleaning_loss"] == "optimum"
    assert "Mirzazadeh" in fan.source_of("cleaning_loss")
    assert fan.source_of("non_grain") == NO_SOURCE


def test_usual_positions_are_of_declared_crops_and_named_as_unsourced():
    for setting in settings().values():
        assert set(setting.usual) <= set(crops()), setting.name
        if setting.usual:
            assert NO_SOURCE in setting.usual_source
    assert settings()["chopper_speed"].usual_positions("corn") == ("low",)
    assert settings()["concave_type"].usual_positions("wheat") == ("small wire", "large wire")
    assert settings()["chopper_speed"].usual_positions("rice") == ()


def test_settings_worked_on_by_hand_carry_a_caution():
    by_hand = [s for s in settings().values() if s.kind == "service" and s.name != "loss_sensor_cleaned"]
    by_hand += [
        settings()[n] for n in ("concave_type", "friction_plate", "feeder_chain_tension", "chopper_speed")
    ]
    for setting in by_hand:
        assert "ngine stopped" in setting.caution or "locked up" in setting.caution, setting.name


@pytest.mark.parametrize(
    ("setting", "word", "position"),
    [
        ("separator_covers", "Half open", "partly closed"),
        ("separator_covers", "CLOSED", "closed"),
        ("side_slope_compensation", "1", "on"),
        ("stationary_knife_position", "half-in", "half in"),
        ("chopper_speed", "sideways", None),
        ("fan_speed", "1000", None),
    ],
)
def test_a_position_is_recognised_by_its_words(setting, word, position):
    assert settings()[setting].position(word) == position


def test_every_crop_value_has_a_source():
    for crop in crops().values():
        given = crop.model_dump(exclude={"name", "label", "sources", "synonyms"}, exclude_none=True)
        assert set(given) == set(crop.sources)


def test_no_rule_of_one_maker_is_held_against_every_machine():
    assert {c.kind for c in combinations().values()} == {"unlikely"}


def test_reasons_are_sentences():
    for reason in reasons().values():
        assert reason.sentence[0].isupper()
        assert reason.sentence.endswith(".")


SETTING = 'label = "X"\nstage = "cleaning"\ndoes = "x"\n'
NUMBER = f'[a]\n{SETTING}kind = "number"\nstep = 1\n'
TWO = f'[a]\n{SETTING}kind = "either_or"\npositions = ["a","b"]\n'
FORBIDDEN = '[a]\nkind = "forbidden"\nsentence = "x"\nsource = "x"\n'


@pytest.mark.parametrize(
    ("kind", "text", "message"),
    [
        (Setting, "[fan_speed\n", r"bad\.toml is not valid TOML: .*line 1"),
        (Setting, "fan_speed = 3", r"bad\.toml: 'fan_speed' must be a table \[fan_speed\], found 3"),
        (Setting, f'[fan]\n{SETTING}kind = "number"', r"bad\.toml: \[fan\]: a number needs its usual step"),
        (Setting, f'[fan]\n{SETTING}kind = "knob"', r"\[fan\] kind: Input should be 'number'"),
        (Setting, f'[fan]\n{SETTING}kind = "service"\ncolour = "red"', r"\[fan\] colour: Extra inputs"),
        (Setting, f'[Fan]\n{SETTING}kind = "service"', r"\[Fan\] name: String should match pattern"),
        (Setting, f'[a]\n{SETTING}kind = "ordered"\npositions = ["in"]', "needs its positions, lowest first"),
        (Setting, f'[a]\n{SETTING}kind = "either_or"\npositions = ["a","b","c"]', "exactly two positions"),
        (
            Setting,
            f'{NUMBER}unit = "furlong"',
            "unit 'furlong' is not one of rpm",
        ),
        (
            Setting,
            f"{NUMBER}low = 3\nhigh = 2",
            "low 3 must be below high 2",
        ),
        (Setting, f'[a]\n{SETTING}kind = "number"\nstep = -1', r"\[a\] step: Input should be greater than 0"),
        (
            Setting,
            f'[a]\n{SETTING}kind = "service"\nexpected = {{ returns = "+" }}',
            "an expectation needs its source",
        ),
        (
            Setting,
            f'[a]\n{SETTING}kind = "service"\nexpected = {{ luck = "+" }}\nexpected_source = "x"',
            "'luck' is not an outcome; outcomes are separation_loss",
        ),
        (
            Setting,
            f'[a]\n{SETTING}kind = "service"\nsources = {{ returns = "x" }}',
            "a source is given for 'returns', which has no expected sign",
        ),
        (
            Setting,
            f'{TWO}same_as = {{ a = ["z"], b = ["Z "] }}',
            "'Z ' stands for both 'a' and 'b'",
        ),
        (
            Setting,
            f'{TWO}usual = {{ corn = "c" }}\nusual_source = "x"',
            "usual position 'c' in corn is not one of the positions",
        ),
        (Crop, "[corn]\nbushel_mass_lb = 56", r"\[corn\]: bushel_mass_lb needs its source"),
        (Crop, '[corn]\nbushel_mass_lb = [56, ""]', "bushel_mass_lb needs its source"),
        (
            Crop,
            '[corn]\nbushel_mass_lb = [560, "x"]',
            r"\[corn\] bushel_mass_lb: Input should be less than 80",
        ),
        (Channel, '[a]\nunit = ""\nmeaning = ""\nlow = 2\nhigh = 1', "low 2.0 must be below high 1.0"),
        (Reason, '[a]\nsentence = "A."\nabout = "luck"', r"\[a\] about: Input should be"),
        (
            Combination,
            FORBIDDEN + 'when = { flux = "high" }',
            "'flux' is not a setting of settings.toml",
        ),
        (
            Combination,
            FORBIDDEN + 'when = { chopper_speed = "up" }',
            "'up' is not a position of chopper_speed",
        ),
        (
            Combination,
            '[a]\nkind = "unlikely"\nsentence = "x"\nsource = "x"',
            "give either when or exceeds",
        ),
    ],
)
def test_a_bad_declaration_fails_with_one_sentence(kind, text, message):
    with pytest.raises(DeclarationError, match=message) as caught:
        parse(text, "bad.toml", kind)
    assert "\n" not in str(caught.value)


def test_two_things_with_one_name_are_refused():
    with pytest.raises(DeclarationError, match="bad: 'Drum RPM' names both 'a' and 'b'"):
        index_of_names({"a": ("drum rpm",), "b": ("Drum RPM",)}, "bad")
