"""``inspect --write-farm`` writes a farm.toml that can be read as it stands; what it names in vain is reported."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.farm import Farm, load_farm, parse_farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.discover import single_file
from chaffinch.pipelines.parsed import Parsed

LOG = (
    'Zeit;Maschine;"Geschw. ""x"" (km/h)";Kornfeuchte (%);Ventilatr;Öl;Gebläse\n'
    "2026-08-01T10:00:00Z;A;5,4;14,2;950;x;980\n2026-08-01T10:00:01Z;A;5,4;14,2;950;x;980\n"
)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    (tmp_path / "odd.csv").write_text(LOG, encoding="utf-8")
    return tmp_path / "odd.csv"


def parsed(log: Path, farm: Farm) -> Parsed:
    (file,) = single_file(log)
    return read(file, farm, [])


def test_every_column_with_its_guess_and_certainty(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", str(log), "--write-farm"]) == 0
    written = log.with_name("farm.toml")
    text = written.read_text(encoding="utf-8")
    names = tomllib.loads(text)["columns"]["odd.csv"]["names"]
    assert names == {
        "Zeit": "time", "Maschine": "machine", 'Geschw. "x" (km/h)': "ignore",
        "Kornfeuchte (%)": {"is": "grain_moisture_pct", "unit": "%"}, "Ventilatr": "ignore", "Öl": "ignore",
        "Gebläse": "fan_speed_rpm",
    }  # fmt: skip
    assert '"Ventilatr" = "ignore"  # not understood; may it be fan_speed_rpm?; first value 950' in text
    assert "# likely: a known word for it; first value 14,2" in text
    before, after = parsed(log, Farm()), parsed(log, load_farm(written))
    assert before.readings is not None and after.readings is not None
    assert after.readings.drop("other").equals(before.readings.drop("other"))
    assert after.unmatched_columns == (), "what is to be ignored is no question"
    assert run(["inspect", str(log), "--write-farm"]) == 2
    assert "is there already and was left as it is" in capsys.readouterr().err
    assert written.read_text(encoding="utf-8") == text


def test_a_key_with_or_without_its_unit(log: Path) -> None:
    for key in ("Geschw. x (km/h)", "Geschw x", 'Geschw. "x"'):
        entry = "'" + key + "'"
        farm = parse_farm(
            f'[columns."odd.csv".names]\n{entry} = {{ is = "speed_m_s", unit = "km/h" }}\nVentilatr = "ignore"'
        )
        readings = parsed(log, farm).readings
        assert readings is not None and readings["speed_m_s"].to_list() == pytest.approx([1.5, 1.5])


def test_keys_and_constants_that_nothing_follows_are_reported(log: Path) -> None:
    farm = parse_farm(
        '[columns."odd.csv"]\nnames = { Drehzal = "fan_speed_rpm" }\n'
        "constants = { machine = 'B', grain_moisture = 15.0 }\n[crops.wheat]\naliases = ['Batch 7']\n"
    )
    notes = parsed(log, farm).notes
    assert "farm.toml says what 'Drehzal' is, and the file has no such column." in notes
    assert any("machine that farm.toml states for the file is not used" in note for note in notes)
    assert any("grain_moisture_pct that farm.toml states for the file is not used" in note for note in notes)
    assert farm.crop_named("batch 7") == "wheat"


def test_all_faults_of_a_farm_at_once() -> None:
    with pytest.raises(DeclarationError) as caught:
        parse_farm(
            "unit = 'us'\n[machines.A]\nwidth_m = -1\ntime_zone = 'Mars'\n[thresholds]\nset_aside_pct = 0\n"
        )
    sentence = str(caught.value)
    for part in (
        "unit is not an entry",
        "machines.A.width_m",
        "'Mars' is not a time zone",
        "thresholds.set_aside_pct",
    ):
        assert part in sentence


def test_the_example_shows_every_key() -> None:
    """The format is documented in one page: every entry of every table stands in example.toml."""
    from importlib.resources import files

    from pydantic import BaseModel

    text = files("chaffinch.pipelines.farm").joinpath("example.toml").read_text(encoding="utf-8")

    def keys(model: type[BaseModel]) -> set[str]:
        return {field.alias or name for name, field in model.model_fields.items()}

    from chaffinch.pipelines import farm

    for model in (farm.Farm, farm.Machine, farm.CropOverride, farm.Prices, farm.Thresholds, farm.FileColumns):
        assert {key for key in keys(model) if key not in text} == set(), model
