"""``farm.toml``: the documented example is read whole, and each fault gets one sentence."""

from __future__ import annotations

import re
from datetime import datetime
from importlib.resources import files

import pytest
from chaffinch.pipelines import farm as farm_module
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.farm import Farm, load_farm, parse_farm


def documented_example() -> str:
    return files("chaffinch.pipelines.farm").joinpath("example.toml").read_text(encoding="utf-8")


def test_the_documented_example_is_read_whole(tmp_path):
    path = tmp_path / "farm.toml"
    path.write_text(documented_example(), encoding="utf-8")
    farm = load_farm(path)
    assert farm.machines["Combine A"].width_m == 9.0
    assert farm.zone_of("Combine A") == "Europe/Paris"
    assert farm.zone_of("any other") == "Europe/Berlin"
    assert farm.machine_aliases()["0012"] == "Combine A"
    assert farm.prices.per_t == {"wheat": 210, "barley": 180}
    odd = farm.columns_of("north/odd_yield_7.tsv")
    assert odd.names["mass"].is_ == "grain_flow_kg_s"
    assert odd.names["mass"].unit == "lb/s"
    assert odd.names["dist"].is_ == "distance_m"
    assert odd.constants["working_width_m"] == "360 in"
    assert odd.time_start == datetime(2011, 11, 5, 12, 38, 3)
    assert farm.columns_of("x/old_box/a.csv").day_first is None
    assert farm.columns_of("old_box/a.csv").day_first is True


def test_every_entry_of_the_model_is_in_the_documented_example():
    example = documented_example()
    models = [
        Farm,
        farm_module.Machine,
        farm_module.CropOverride,
        farm_module.Prices,
        farm_module.Thresholds,
        farm_module.Client,
        farm_module.Notify,
        farm_module.FileColumns,
    ]
    missing = [name for m in models for name in m.model_fields if name not in example]
    assert missing == []


def test_no_entry_is_needed():
    assert parse_farm("") == Farm()
    assert Farm().zone_of("any") is None


def test_own_bushel_mass_wins_over_the_declared_one():
    assert Farm().of_crop("bushel_mass_lb", "wheat") == 60  # the legal bushel of wheat, 60 lb; from memory
    assert parse_farm("[crops.wheat]\nbushel_mass_lb = 58").of_crop("bushel_mass_lb", "wheat") == 58
    assert Farm().of_crop("bushel_mass_lb", "no such crop") is None


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('unit = "us"', "farm.toml: unit is not an entry of farm.toml; did you mean 'units'."),
        ("[machines.A]\nwidth = 3", "farm.toml: machines.A.width is not an entry of farm.toml"),
        (
            'time_zone = "Mars/North"',
            "'Mars/North' is not a time zone; write one such as Europe/Berlin or UTC.",
        ),
        ('[machines.A]\nwidth_m = "wide"', "machines.A.width_m: Input should be a valid number"),
        ("[machines]\nA = 3", "machines.A must be a table with entries, found 3."),
        ('[columns.a]\nnames = { m = "grain_flw_kg_s" }', "did you mean 'grain_flow_kg_s'"),
        ('[columns.a]\nconstants = { wdth = "9 m" }', "'wdth' is neither a channel nor a setting"),
        (
            '[machines.A]\naliases = ["b"]\n[machines.B]',
            "'B' names both 'A' and 'B'; give it to one of them.",
        ),
        ("x =", "farm.toml is not valid TOML"),
        ("[machines.A]\nwidth_m = 900", "machines.A.width_m: Input should be less than or equal to 25."),
    ],
)
def test_a_fault_is_one_sentence_that_names_the_entry(text, sentence):
    with pytest.raises(DeclarationError) as caught:
        parse_farm(text)
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value).removeprefix("farm.toml is not valid TOML")


def test_a_file_that_is_no_text_is_refused(tmp_path):
    path = tmp_path / "farm.toml"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(DeclarationError, match="is not UTF-8 text; save it as UTF-8"):
        load_farm(path)


def test_the_older_name_of_notify_is_read():
    assert parse_farm('[tell]\ncommand = "mail me"').notify.command == ("mail", "me")


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('logo = "../rook.png"', "without .."),
        ('logo = "/etc/rook.png"', "without .."),
        ('logo = "C:\\\\rook.png"', "without .."),
        ('logo = "https://example.invalid/rook.png"', "without .."),
        ('logo = "rook.jpg"', "not a PNG or SVG picture"),
        ('title = "two\\nlines"', "client.title"),
        (f'name = "{"n" * 121}"', "client.name"),
        ('date = "soon"', "client.date"),
    ],
)
def test_the_front_of_a_report_takes_one_line_and_a_picture_of_the_inbox(line, sentence):
    with pytest.raises(DeclarationError, match=re.escape(sentence)):
        parse_farm(f"[client]\n{line}\n")


def test_a_threshold_of_an_older_version_stops_nothing():
    farm = parse_farm("[thresholds]\nloss_share_pct = 1.5\nset_aside_pct = 2.0\n", "farm.toml")
    assert farm.thresholds.set_aside_pct == 2.0
