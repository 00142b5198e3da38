"""A settings log: one row per change that somebody wrote down."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.ingest.kinds.setting_values import counts_steps, position_words, unknown_step
from chaffinch.pipelines.ingest.text.headers import recognise
from chaffinch.pipelines.ingest.text.number_parsing import (
    is_missing,
    parse_numbers,
    plain_number,
    unit_in_values,
)
from chaffinch.pipelines.ingest.text.rejected_rows import malformed_rows
from chaffinch.pipelines.ingest.text.table_reader import TableReader, cleaned_names, read_machines, read_times
from chaffinch.pipelines.parsed import Parsed, combined_set_aside
from chaffinch.pipelines.units import Conversion, UnitError, conversion
from chaffinch.schemas.declarations import Setting, settings

_WORDS_READ = ("time", "date", "machine", "setting", "to_value", "from_value", "unit", "note")


def read_settings_log(reader: TableReader) -> Parsed:
    """Read the table of ``reading`` as a settings log.

    Names and units become those of the catalogue; a setting that it lacks is kept with kind ``unknown``. A
    number that is none goes aside. Raises ``UnreadableFile`` where there is no time column.
    """
    table = reader.table
    machines = read_machines(reader)
    logged = _word(reader, "setting", table.rows.height)
    frame = pl.DataFrame(
        {
            "i": pl.arange(table.rows.height, eager=True),
            "row": table.lines.cast(pl.Int64),
            "time": read_times(reader, machines),
            "machine": machines,
            "logged": cleaned_names(logged),
            "from_text": _word(reader, "from_value", table.rows.height),
            "to_text": _word(reader, "to_value", table.rows.height),
            "unit_text": _word(reader, "unit", table.rows.height).fill_null(""),
            "note": cleaned_names(_word(reader, "note", table.rows.height)),
        }
    )
    nameless = frame["logged"].is_null()
    reader.set_aside(nameless, "no_setting", "setting", logged.fill_null(""), "The row names no setting.")
    parts = [
        _one_setting(reader, part, str(name), str(unit))
        for (name, unit, _), part in frame.filter(~nameless).group_by(
            ["logged", "unit_text", "machine"], maintain_order=True
        )
    ]
    aside = combined_set_aside([malformed_rows(table), *reader.aside])
    empty = pl.DataFrame(schema=_schema())
    kept = pl.concat([empty, *parts]).filter(~pl.col("row").is_in(aside["row"].implode()))
    kept = _with_known_before(kept).sort("row").with_columns(origin=pl.lit("settings log"))
    unmatched = [m for m in table.matched if m.kind != "word" or m.target not in _WORDS_READ]
    return Parsed(
        kind="settings log",
        adjustments=kept,
        set_aside=aside,
        rows_read=table.rows_read,
        unmatched_columns=tuple(table.headers[m.position] for m in unmatched),
        notes=tuple(dict.fromkeys(reader.notes)),
        attention=tuple(dict.fromkeys(reader.attention)),
    )


def _word(reader: TableReader, word: str, height: int) -> pl.Series:
    column = reader.table.find("word", word)
    if column is None:
        return pl.repeat(None, height, dtype=pl.String, eager=True)
    return reader.table.texts(column)


def _schema() -> dict[str, pl.DataType]:
    text = pl.String()
    return {
        "row": pl.Int64(), "time": pl.Datetime("us", "UTC"), "machine": text, "setting": text,
        "from_value": text, "to_value": text, "unit": text, "kind": text, "note": text,
    }  # fmt: skip


def _one_setting(reader: TableReader, part: pl.DataFrame, name: str, unit_text: str) -> pl.DataFrame:
    """All rows of one setting of one machine in one unit."""
    found = recognise(name)
    setting = settings().get(found.target) if found.kind == "setting" else None
    unit = unit_text if unit_text.strip() not in ("", "-") else found.unit
    if setting is not None and setting.kind == "number":
        for side in ("from_text", "to_text"):
            plain, behind = unit_in_values(part[side])
            if behind is not None and unit in (None, behind):
                part, unit = part.with_columns(plain.alias(side)), behind
    if setting is None:
        reader.alert(
            f"The catalogue has no setting '{name}'; its changes are kept as an unknown setting, and no "
            "effect is estimated. If the catalogue knows it by another name, use that one in the log."
        )
        values = {"from_value": _as_logged(part["from_text"]), "to_value": _as_logged(part["to_text"])}
        told, kind, shown = name, "unknown", unit
    else:
        values, shown = _values(reader, part, setting, unit)
        told, kind = setting.name, setting.kind
    return part.select(
        "row", "time", "machine",
        pl.lit(told).alias("setting"),
        values["from_value"].alias("from_value"),
        values["to_value"].alias("to_value"),
        pl.lit(shown, dtype=pl.String).alias("unit"),
        pl.lit(kind).alias("kind"),
        "note",
    )  # fmt: skip


def _as_logged(texts: pl.Series) -> pl.Series:
    return texts.set(is_missing(texts), None)


def _values(
    reader: TableReader, part: pl.DataFrame, setting: Setting, unit: str | None
) -> tuple[dict[str, pl.Series], str | None]:
    """Values before and after in the catalogue's unit, as plain texts."""
    if setting.kind == "service":
        # What is written beside a service is a remark, kept as it stands.
        return {"from_value": _as_logged(part["from_text"]), "to_value": _as_logged(part["to_text"])}, None
    if setting.kind != "number":
        words = {f"{side}_value": position_words(part[f"{side}_text"], setting) for side in ("from", "to")}
        strange = sorted(set(words["to_value"].drop_nulls().to_list()) - set(setting.positions))
        if strange:
            known = ", ".join(setting.positions)
            reader.alert(f"{setting.label}: '{strange[0]}' is none of {known}; it is kept as logged.")
        return words, setting.unit or None
    try:
        change = _conversion(reader, part["machine"][0], setting, unit)
    except UnitError as error:
        bad = pl.Series("bad", part["i"].to_list(), dtype=pl.Int64)
        hit = pl.arange(reader.table.rows.height, eager=True).is_in(bad.to_list())
        texts = _word(reader, "unit", reader.table.rows.height).fill_null(unit or "")
        reader.set_aside(hit, "unknown_unit", "unit", texts, f"{setting.label}: {error}.")
        return {"from_value": part["from_text"], "to_value": part["to_text"]}, unit
    return {
        f"{side}_value": _numbers(reader, part, f"{side}_text", setting, change) for side in ("from", "to")
    }, setting.unit or None


def _conversion(reader: TableReader, machine: str, setting: Setting, unit: str | None) -> Conversion:
    """From the unit as logged to the catalogue's; steps of a machine by the opening that each makes.

    Where farm.toml states that opening, numbers without a unit are steps too. Raises ``UnitError``.
    """
    stated = reader.farm.machines.get(machine)
    opening = stated.opening_per_step.get(setting.name) if stated else None
    in_steps = counts_steps(unit)
    if in_steps and opening is None and setting.unit:
        raise UnitError(unknown_step(str(unit), machine, setting))
    if opening is not None and (in_steps or not unit):
        reader.notes.append(
            f"{setting.label} of {machine} was converted from steps of {opening:g} {setting.unit}."
        )
        return Conversion(opening)
    return conversion(unit, setting.unit) if unit and setting.unit else Conversion()


def _numbers(
    reader: TableReader, part: pl.DataFrame, column: str, setting: Setting, change: Conversion
) -> pl.Series:
    """Numbers of one setting as plain texts; a value that is none, or is lacking after a change, aside."""
    read = parse_numbers(part[column], reader.mark)
    bad = read.bad | (read.values.is_null() if column == "to_text" else False)
    if bad.any():
        hit = pl.arange(reader.table.rows.height, eager=True).is_in(part["i"].filter(bad).to_list())
        name = column.replace("_text", "_value")
        texts = _word(reader, name, reader.table.rows.height).fill_null("")
        lacking = is_missing(texts)
        sentence = f"{setting.label}: the row does not say which value it was set to."
        reader.set_aside(hit & lacking, "not_a_number", name, texts, sentence)
        sentence = f"{setting.label} is a number in {setting.unit or 'steps'}, and '{{}}' is none."
        reader.set_aside(hit & ~lacking, "not_a_number", name, texts, sentence)
    values = pl.DataFrame({"v": read.values}).select(change.apply(pl.col("v"))).to_series()
    told = {value: plain_number(value) for value in values.unique().drop_nulls().to_list()}
    return values.replace_strict(told, default=None, return_dtype=pl.String)


def _with_known_before(frame: pl.DataFrame) -> pl.DataFrame:
    """The value before, where it is not logged, from the row before of the same machine and setting."""
    ordered = frame.sort("time", "row", maintain_order=True)
    before = pl.col("to_value").shift(1).over(["machine", "setting"])
    return ordered.with_columns(from_value=pl.col("from_value").fill_null(before))
