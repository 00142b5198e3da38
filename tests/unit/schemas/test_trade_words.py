"""Words of eleven languages: each names one thing, and each thing is one that the program knows."""

from __future__ import annotations

from collections import defaultdict

import pytest
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.text.headers import recognise
from chaffinch.schemas.declarations import channels, crops, letters_and_digits, settings, table_columns
from chaffinch.schemas.units import conversion
from chaffinch.schemas.words.trade_words import LANGUAGES, notebook_words, trade_words


def test_no_word_of_a_header_names_two_things() -> None:
    owners: dict[str, set[str]] = defaultdict(set)
    for target, by_language in trade_words().items():
        for part in target.split("|"):
            assert {part} & (channels().keys() | settings().keys() | table_columns().keys() | crops().keys())
        for words in by_language.values() if "|" not in target else ():
            for word in words:
                owners[letters_and_digits(word)].add(target)
    assert {word: named for word, named in owners.items() if len(named) > 1} == {}


def test_every_role_has_words_in_every_language() -> None:
    for role in ("to", "by", "up", "down", "open", "close", "unsure", "because", "filler"):
        for language in LANGUAGES:
            assert notebook_words(language, role), (role, language)


# Headers as ten made-up loggers of each language family write them: common usage, from memory.
HEADERS = {
    "de": (
        "Datum und Uhrzeit|time",
        "Fahrgeschwindigkeit [km/h]|speed_m_s",
        "Kornfluss (t/h)|grain_flow_kg_s",
        "Kornfeuchte %|grain_moisture_pct",
        "Geblaesedrehzahl (U/min)|fan_speed",
        "Dreschtrommeldrehzahl|threshing_speed",
        "Siebverluste|cleaning_loss_signal",
        "Schüttlerverluste|separation_loss_signal",
        "Schlag|field",
        "Ertrag (dt/ha)|grain_yield_kg_ha",
    ),
    "fr": (
        "Horodatage|time",
        "Vitesse d'avancement (km/h)|speed_m_s",
        "Débit de grain (t/h)|grain_flow_kg_s",
        "Humidité du grain (%)|grain_moisture_pct",
        "Régime du ventilateur (tr/min)|fan_speed",
        "Regime batteur [tr/min]|threshing_speed",
        "Pertes grilles|cleaning_loss_signal",
        "Pertes secoueurs|separation_loss_signal",
        "Parcelle|field",
        "Rendement (q/ha)|grain_yield_kg_ha",
    ),
    "es/pt": (
        "Fecha y hora|time",
        "Velocidad de avance|speed_m_s",
        "Flujo de grano (t/h)|grain_flow_kg_s",
        "Humedad del grano|grain_moisture_pct",
        "Velocidad del ventilador|fan_speed",
        "Rotação do cilindro|threshing_speed",
        "Pérdidas zarandas|cleaning_loss_signal",
        "Perdas do rotor|separation_loss_signal",
        "Lote|field",
        "Produtividade (t/ha)|grain_yield_kg_ha",
    ),
    "it": (
        "Data e ora|time",
        "Velocità di avanzamento|speed_m_s",
        "Flusso di granella|grain_flow_kg_s",
        "Umidita granella|grain_moisture_pct",
        "Giri ventilatore (giri/min)|fan_speed",
        "Giri battitore|threshing_speed",
        "Perdite crivelli|cleaning_loss_signal",
        "Perdite scuotipaglia|separation_loss_signal",
        "Appezzamento|field",
        "Resa (t/ha)|grain_yield_kg_ha",
    ),
    "nl": (
        "Tijdstip|time",
        "Rijsnelheid|speed_m_s",
        "Graanstroom (kg/s)|grain_flow_kg_s",
        "Vochtgehalte|grain_moisture_pct",
        "Ventilatortoerental (omw/min)|fan_speed",
        "Trommeltoerental|threshing_speed",
        "Zeefverlies|cleaning_loss_signal",
        "Schudderverlies|separation_loss_signal",
        "Perceel|field",
        "Werkbreedte (m)|working_width_m",
    ),
    "pl": (
        "Data i godzina|time",
        "Predkosc jazdy|speed_m_s",
        "Przepływ ziarna|grain_flow_kg_s",
        "Wilgotność ziarna|grain_moisture_pct",
        "Obroty wentylatora (obr/min)|fan_speed",
        "Obroty bębna|threshing_speed",
        "Straty na sitach|cleaning_loss_signal",
        "Straty na wytrząsaczach|separation_loss_signal",
        "Działka|field",
        "Szerokość robocza|working_width_m",
    ),
    "da/sv": (
        "Dato og tid|time",
        "Kørehastighed|speed_m_s",
        "Kerneflow|grain_flow_kg_s",
        "Vattenhalt|grain_moisture_pct",
        "Blæserhastighed|fan_speed",
        "Cylindervarvtal (varv/min)|threshing_speed",
        "Sållförluster|cleaning_loss_signal",
        "Rystertab|separation_loss_signal",
        "Skifte|field",
        "Arbejdsbredde|working_width_m",
    ),
    "uk/ru": (
        "Дата і час|time",
        "Швидкість руху (км/год)|speed_m_s",
        "Подача зерна|grain_flow_kg_s",
        "Влажность зерна (%)|grain_moisture_pct",
        "Обороты вентилятора (об/мин)|fan_speed",
        "Оберти барабана|threshing_speed",
        "Потери очистки|cleaning_loss_signal",
        "Втрати соломотряса|separation_loss_signal",
        "Поле|field",
        "Урожайность (ц/га)|grain_yield_kg_ha",
    ),
}


@pytest.mark.parametrize("family", list(HEADERS))
def test_headers_of_each_family(family: str) -> None:
    for pair in HEADERS[family]:
        header, target = pair.split("|")
        assert recognise(header).target == target, header


@pytest.mark.parametrize(
    ("unit", "wanted", "factor"),
    [
        ("U/min", "rpm", 1), ("tr/min", "rpm", 1), ("об/мин", "rpm", 1), ("dt/ha", "kg/ha", 100),
        ("q/ha", "kg/ha", 100),
        ("ц/га", "kg/ha", 100), ("t/ha", "kg/ha", 1000), ("lb/ac", "kg/ha", 1.1208511), ("st", "kg", 907.18474),
        ("км/ч", "m/s", 1 / 3.6), ("т/год", "kg/s", 1 / 3.6), ("л/ч", "l/h", 1),
    ],
)  # fmt: skip
def test_units_of_other_countries(unit: str, wanted: str, factor: float) -> None:
    """A decitonne or quintal is 100 kg, a short ton 2000 lb, a pound 0.45359237 kg (international pound, 1959)."""
    assert conversion(unit, wanted).scale == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize(
    ("word", "crop"),
    [("Winterweizen", "wheat"), ("blé dur", "durum"), ("cebada", "barley"), ("mietitura", None), ("milho", "corn"),
     ("koolzaad", "canola"), ("żyto", "rye"), ("zyto", "rye"), ("havre", "oats"), ("соняшник", "sunflower")],
)  # fmt: skip
def test_crops_by_the_words_of_other_languages(word: str, crop: str | None) -> None:
    assert Farm().crop_named(word) == (crop or word)
