"""A made-up corn field whose log is at odds with common practice in two places, and with farm.toml in a third."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import unescape

import polars as pl
import pytest
from chaffinch.dashboards.pages.site import write_site
from chaffinch.pipelines.agronomy.setup_check import doubtful_jumps, setup_check
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import Delivery
from chaffinch.pipelines.validate import apply_rules


def _corn_field(**positions: str | float) -> pl.DataFrame:
    usual = {"chopper_speed": "low", "separator_covers": "open", "concave_type": "round bar"}
    row = {**usual, "feeder_drum_position": "upper", **positions}
    return pl.DataFrame({name: [value] * 200 for name, value in row.items()})


def test_a_field_set_as_usual_has_nothing_to_tell():
    assert setup_check(_corn_field(), "corn") == ()


def test_separator_covers_closed_and_chopper_high_in_corn_are_both_named():
    # Covers open and chopper low in corn: common practice, no source.
    findings = setup_check(_corn_field(separator_covers="closed", chopper_speed="high"), "corn")
    assert {f.settings for f in findings} == {("separator_covers",), ("chopper_speed",)}
    for finding in findings:
        assert finding.kind == "unusual"
        assert finding.share == 1.0
        assert "common practice, no source" in finding.sentence
        assert not {"!", "alarm", "wrong", "must"} & set(finding.sentence.lower().split())
    words = " ".join(f.sentence for f in findings)
    assert "Separator covers logged closed in corn; open is common" in words
    assert "Chopper speed logged high in corn; low is common" in words


def test_what_one_machine_must_not_do_comes_first_and_holds_for_no_other():
    never = ({"chopper_speed": "high", "spreader_speed": "high"},)
    both = _corn_field(chopper_speed="high", spreader_speed="high")
    findings = setup_check(both, "corn", never_together=never)
    assert [f.kind for f in findings] == ["forbidden", "unusual"]
    assert findings[0].settings == ("chopper_speed", "spreader_speed")
    assert "Chopper speed high and Spreader speed high are logged together" in findings[0].sentence
    assert [f.kind for f in setup_check(both, "corn")] == ["unusual"]
    only_one = _corn_field(chopper_speed="low", spreader_speed="high")
    assert setup_check(only_one, "corn", never_together=never) == ()


def test_the_same_positions_are_usual_in_wheat():
    field = _corn_field(chopper_speed="high", concave_type="small wire", feeder_drum_position="lower")
    assert setup_check(field, "wheat") == ()
    assert {f.settings[0] for f in setup_check(field, "maize")} == {
        "chopper_speed",
        "concave_type",
        "feeder_drum_position",
    }


def test_a_drum_speed_of_wheat_in_corn_is_named_with_its_tip_speed():
    # 900 rpm on 0.66 m = 31.1 m/s; 10 to 18 m/s in corn is from memory, and the finding says so.
    (finding,) = setup_check(_corn_field(threshing_speed_rpm=900.0), "corn", drum_diameter_m=0.66)
    assert "tip speed of 31.1 m/s" in finding.sentence
    assert "from memory" in finding.sentence
    assert setup_check(_corn_field(threshing_speed_rpm=400.0), "corn", drum_diameter_m=0.66) == ()
    assert setup_check(_corn_field(threshing_speed_rpm=900.0), "corn") == ()


def test_a_jump_that_no_actuator_makes_is_named():
    at = datetime(2026, 10, 3, 9, 30, tzinfo=UTC)
    changes = pl.DataFrame(
        {
            "time": [at] * 5,
            "setting": [
                "fan_speed",
                "fan_speed",
                "concave_clearance",
                "chopper_speed",
                "lower_sieve_opening",
            ],
            "from_value": ["1000", "1000", None, "low", "8"],
            "to_value": ["1050", "10", "250", "high", None],
        }
    )
    findings = doubtful_jumps(changes)
    assert [f.settings[0] for f in findings] == ["fan_speed", "concave_clearance"]
    assert findings[0].sentence == (
        "Fan speed logged from 1000 to 10 rpm at 2026-10-03 09:30 UTC: "
        "no machine works outside 100 to 2200 rpm."
    )
    assert "from an unknown value to 250 mm" in findings[1].sentence


@pytest.mark.seconds
def test_the_page_of_such_a_field_says_so_in_words(tmp_path):
    """From a harvest log and a settings log to the page, by the lake."""
    log = [
        "time,machine,field,crop,speed km/h,grain flow kg/s,moisture %,working width m,separation loss,working"
    ]
    log += [
        f"2026-10-03T09:{m:02d}:{s:02d}Z,A,River Bank,maize,6,12,18,6,{3 + s % 5},1"
        for m in range(20)
        for s in range(60)
    ]
    changes = [
        "time,machine,setting,from_value,to_value,unit",
        "2026-10-03T09:00:05Z,A,separator covers,open,closed,",
        "2026-10-03T09:00:06Z,A,chopper,low,high,",
        "2026-10-03T09:15:00Z,A,fan speed,1000,1700,rpm",
    ]
    lake = Lake(tmp_path / "lake")
    farm = Farm()
    for number, (name, lines) in enumerate({"log.csv": log, "settings.csv": changes}.items()):
        parsed = apply_rules(read(from_bytes(name, "\n".join(lines).encode()), farm, []))
        assert parsed.set_aside is None or parsed.set_aside.is_empty()
        lake.take_in([Delivery(name, f"{number}" * 64, 1, parsed)])
    write_site(lake, tmp_path / "site", farm)
    (page,) = (tmp_path / "site" / "fields").glob("*.html")
    text = " ".join(unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8"))).split())
    said = text[text.index("outside common practice") :]
    for sentence in (
        "Separator covers logged closed in corn; open is common (common practice, no source).",
        "Chopper speed logged high in corn; low is common (common practice, no source).",
        "Fan speed logged from 1000 to 1700 rpm at 2026-10-03 09:15 UTC: "
        "one adjustment seldom changes more than 600 rpm.",
        "Common practice is not a measurement",
    ):
        assert sentence in said
    assert "alarm" not in said.lower()
