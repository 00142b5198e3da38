"""Texts of channels and numeric settings to numbers in the declared units."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.number_parsing import is_missing, parse_numbers, unit_in_values
from chaffinch.pipelines.ingest.text.table_reader import TableReader
from chaffinch.schemas.declarations import channels
from chaffinch.schemas.units import Conversion, UnitError, conversion, looks_like_unit

_FLAGS = ("working", "unloading")
_YES = ("1", "1.0", "true", "yes", "y", "on", "working", "work", "in work", "down", "active", "harvesting")
_NO = (
    "0",
    "0.0",
    "false",
    "no",
    "n",
    "off",
    "not working",
    "idle",
    "out of work",
    "up",
    "inactive",
    "raised",
)
WORDS_SAMPLED = 5000
FEWEST_TO_JUDGE = 10
# A median beyond this, in the channel's own unit, can't come from work; the unit is likely another.
# Common practice, no source.
_UNLIKELY_MEDIAN = {"speed_m_s": 6.0, "grain_flow_kg_s": 30.0, "working_width_m": 15.0, "altitude_m": 5000.0}


def conversion_of(column: Matched) -> Conversion:
    """How the values of ``column`` become those of its channel or setting. Raises ``UnitError``."""
    if column.unit is None or column.target in ("time", *_FLAGS):
        return Conversion()
    if not column.wanted_unit:
        # A relative signal has no unit to convert to; whatever it is called, it stays as it is.
        return Conversion()
    return conversion(column.unit, column.wanted_unit)


def read_numbers(reader: TableReader, column: Matched, crops: pl.Series | None = None) -> pl.Series:
    """Values of ``column`` in the declared unit, null where missing; what is not a number is set aside.

    Raises ``UnitError`` where the unit does not fit, ``UnreadableFile`` where a bushel's mass is unknown.
    """
    if column.target in _FLAGS:
        return _read_flag(reader, column)
    numbers = reader.plain(column)
    if numbers is None:
        numbers, column = _odd_numbers(reader, column, reader.table.texts(column))
    change = conversion_of(column)
    bushel = _bushel_masses(reader, column, crops) if change.needs_bushel else None
    values = numbers
    if not change.is_identity:
        frame = pl.DataFrame({"v": numbers, "b": bushel if bushel is not None else 0.0})
        values = frame.select(change.apply(pl.col("v"), pl.col("b"))).to_series()
    _note_unit(reader, column, change, values)
    return values.cast(pl.Float64)


def numbers_or_unread(
    reader: TableReader, column: Matched, crops: pl.Series | None = None
) -> pl.Series | None:
    """As ``read_numbers``; None where the unit does not fit, with a note how the column can be read after all."""
    try:
        return read_numbers(reader, column, crops)
    except UnitError as error:
        reader.keep_unread(column, error)
        return None


def _odd_numbers(reader: TableReader, column: Matched, texts: pl.Series) -> tuple[pl.Series, Matched]:
    """Numbers that are not all plain decimals, and the column with the unit that its values may carry."""
    plain, unit = unit_in_values(texts)
    if unit is not None and column.unit in (None, unit):
        texts, column = plain, replace(column, unit=unit)
    conversion_of(column)  # a unit that does not fit leaves the column unread, and its rows in place
    read = parse_numbers(texts, reader.mark)
    reader.set_value_aside(
        read.bad, column.header, texts, f"'{{}}' in column '{column.header}' is not a number."
    )
    if read.ambiguous:
        reader.notes.append(
            f"Commas in '{column.header}' were read as thousands separators; nothing in the file says otherwise."
        )
    return read.values, column


def words_instead_of_numbers(reader: TableReader, column: Matched) -> str | None:
    """Why a column that only its synonym suggests is not a channel: it holds words. None where it may be one.

    Without this a remark in a column called "load" or "track" would set every row of the log aside.
    """
    if column.rank <= 1 or column.target in _FLAGS or reader.plain(column) is not None:
        return None
    texts = _first_written(reader.table.raw(column))
    plain, _ = unit_in_values(texts)
    words = parse_numbers(plain, reader.mark).bad
    if len(words) >= FEWEST_TO_JUDGE and words.sum() > len(words) / 2:
        example = texts.filter(words)[0][:40]
        return f"it looks like {column.target} but holds words such as '{example}'"
    return None


def _first_written(texts: pl.Series) -> pl.Series:
    """The first of ``texts`` that are not missing, without surrounding spaces."""
    for part in (texts[: 2 * WORDS_SAMPLED], texts):
        plain = part.str.strip_chars()
        written = plain.filter(~is_missing(plain))
        if len(written) >= WORDS_SAMPLED:
            break
    return written[:WORDS_SAMPLED]


def _bushel_masses(reader: TableReader, column: Matched, crops: pl.Series | None) -> pl.Series:
    names = crops.unique().to_list() if crops is not None else [None]
    masses = {name: reader.farm.of_crop("bushel_mass_lb", name) for name in names}
    lacking = [name for name, mass in masses.items() if mass is None]
    if lacking or crops is None:
        crop = lacking[0] if lacking else None
        raise UnreadableFile(
            reader.table.file,
            f"Column '{column.header}' counts bushels, and the mass of a bushel of "
            + (f"'{crop}' is not known; state it in farm.toml: [crops.{crop}] bushel_mass_lb = 60." if crop
               else "the crop is needed; add a crop column, or state the crop in farm.toml under constants."),
        )  # fmt: skip
    return crops.replace_strict(masses, return_dtype=pl.Float64)


def _note_unit(reader: TableReader, column: Matched, change: Conversion, values: pl.Series) -> None:
    """Say which unit was converted, or assumed where a bare synonym states none."""
    wanted = column.wanted_unit
    if column.unit is not None and not change.is_identity:
        reader.notes.append(f"'{column.header}' was converted from {column.unit} to {wanted}.")
    if column.unit is not None and not wanted and column.unit and looks_like_unit(column.unit):
        reader.notes.append(f"'{column.header}' is read as a relative signal, whatever its unit.")
    if column.kind != "channel" or column.unit is not None or column.rank <= 1 or not wanted:
        return
    if column.target in ("latitude", "longitude", "heading_deg", "grain_moisture_pct", "engine_load_pct"):
        return
    note = f"'{column.header}' states no unit; {wanted} is assumed."
    median = values.filter(values > 0).median()
    limit = _UNLIKELY_MEDIAN.get(column.target)
    if limit is not None and isinstance(median, float) and median > limit:
        note += (
            f" Its median of {median:.3g} is unlikely in {wanted}: check, and state the unit in farm.toml."
        )
    reader.notes.append(note)


def _read_flag(reader: TableReader, column: Matched) -> pl.Series:
    words = dict.fromkeys(_YES, 1.0) | dict.fromkeys(_NO, 0.0)
    raw = reader.table.raw(column)
    # A log repeats few words in many rows.
    written = raw.unique()
    lower = written.str.strip_chars().str.to_lowercase()
    meant = lower.replace_strict(words, default=None, return_dtype=pl.Float64)
    flags = raw.replace_strict(written, meant, return_dtype=pl.Float64)
    texts = reader.table.texts(column)
    bad = flags.is_null() & ~is_missing(texts)
    sentence = f"'{{}}' in column '{column.header}' means neither {column.target} (1) nor not (0)."
    reader.set_value_aside(bad, column.header, texts, sentence)
    return flags


def constant_number(reader: TableReader, channel: str) -> float | None:
    """A channel that farm.toml states for every row, such as ``working_width_m = "360 in"``.

    Raises ``UnreadableFile`` where it is not a number with a fitting unit.
    """
    stated = reader.stated.constants.get(channel)
    if stated is None or isinstance(stated, (int, float)):
        return None if stated is None else float(stated)
    number, _, unit = str(stated).strip().partition(" ")
    try:
        factor = conversion(unit, channels()[channel].unit) if unit.strip() else Conversion()
        return float(number) * factor.scale
    except (ValueError, UnitError) as error:
        why = f": {error}" if isinstance(error, UnitError) else ""
        raise UnreadableFile(
            reader.table.file,
            f"farm.toml states {channel} = '{stated}' for it, which is not a number with a unit{why}.",
        ) from None
