"""A settings log: one row per change that somebody wrote down."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.ingest.inbox.guard import require_few
from chaffinch.pipelines.ingest.kinds.setting_values import counts_steps, position_words, unknown_step
from chaffinch.pipelines.ingest.text.headers import recognise
from chaffinch.pipelines.ingest.text.number_parsing import (
    is_missing,
    parse_numbers,
    plain_number,
    unit_in_values,
)
from chaffinch.pipelines.ingest.text.table_reader import TableReader, cleaned_names, read_machines, read_times
from chaffinch.pipelines.parsed import Parsed
from chaffinch.schemas.declarations import Setting, settings
from chaffinch.schemas.units import Conversion, UnitError, conversion

_TEXTS = ("machine", "setting", "from_value", "to_value", "unit", "kind", "note")
_SCHEMA = {"row": pl.Int64(), "time": pl.Datetime("us", "UTC")} | dict.fromkeys(_TEXTS, pl.String())
_WORDS_READ = ("time", "date", "machine", "setting", "to_value", "from_value", "unit", "note")


def read_settings_log(reader: TableReader) -> Parsed:
    """Read the table as a settings log.

    Names and units become those of the catalogue; a setting that it lacks is kept with kind ``unknown``. What
    should be a number and is not is set aside. Raises ``UnreadableFile`` where there is no time column.
    """
    machines = read_machines(reader)
    logged = reader.words("setting")
    frame = pl.DataFrame(
        {
            "i": pl.arange(len(logged), eager=True),
            "row": reader.table.lines.cast(pl.Int64),
            "time": read_times(reader, machines),
            "machine": machines,
            "logged": cleaned_names(logged),
            "from_text": reader.words("from_value"),
            "to_text": reader.words("to_value"),
            "unit_text": reader.words("unit").fill_null(""),
            "note": cleaned_names(reader.words("note")),
        }
    )
    nameless = frame["logged"].is_null()
    reader.set_aside(nameless, "no_setting", "setting", logged, "The row names no setting.")
    named = ["logged", "unit_text", "machine"]
    require_few(
        reader.table.file, frame.select(pl.struct(named).n_unique()).item(), "settings, units and machines"
    )
    changes = frame.filter(~nameless).group_by(named, maintain_order=True)
    parts = [_one_setting(reader, part, str(name), str(unit)) for (name, unit, _), part in changes]
    kept = reader.kept(pl.concat([pl.DataFrame(schema=_SCHEMA), *parts]).to_dict())
    kept = _with_known_before(kept).sort("row").with_columns(origin=pl.lit("settings log"))
    return reader.parsed("settings log", reader.unmatched(_WORDS_READ), adjustments=kept)


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
        before, after, shown = _as_logged(part["from_text"]), _as_logged(part["to_text"]), unit
    else:
        before, after, shown = _values(reader, part, setting, unit)
    return part.with_columns(
        pl.lit(setting.name if setting else name).alias("setting"),
        before.alias("from_value"),
        after.alias("to_value"),
        pl.lit(shown, dtype=pl.String).alias("unit"),
        pl.lit(setting.kind if setting else "unknown").alias("kind"),
    ).select(*_SCHEMA)


def _as_logged(texts: pl.Series) -> pl.Series:
    return texts.set(is_missing(texts), None)


def _values(
    reader: TableReader, part: pl.DataFrame, setting: Setting, unit: str | None
) -> tuple[pl.Series, pl.Series, str | None]:
    """Values before and after in the catalogue's unit, as plain texts, and that unit."""
    before, after = part["from_text"], part["to_text"]
    if setting.kind == "service":
        # A value logged with a service is a remark, kept as logged.
        return _as_logged(before), _as_logged(after), None
    if setting.kind != "number":
        before, after = (
            position_words(texts, setting, part["machine"], reader.farm.machines) for texts in (before, after)
        )
        strange = sorted(set(after.drop_nulls().to_list()) - set(setting.positions))
        if strange:
            known = ", ".join(setting.positions)
            reader.notes.append(
                f"{setting.label}: '{strange[0]}' is not one of {known}; it is kept as logged."
            )
        return before, after, setting.unit or None
    try:
        change = _conversion(reader, part["machine"][0], setting, unit)
    except UnitError as error:
        texts = reader.words("unit").fill_null(unit or "")
        sentence = f"{setting.label}: {error}."
        reader.set_aside(_rows_of(reader, part["i"]), "unknown_unit", "unit", texts, sentence)
        return before, after, unit
    return (
        _numbers(reader, part, "from", setting, change),
        _numbers(reader, part, "to", setting, change),
        setting.unit or None,
    )


def _rows_of(reader: TableReader, indexes: pl.Series) -> pl.Series:
    """Whether each row of the table is one of ``indexes``."""
    return pl.arange(reader.table.rows.height, eager=True).is_in(indexes.to_list())


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
    reader: TableReader, part: pl.DataFrame, side: str, setting: Setting, change: Conversion
) -> pl.Series:
    """Numbers of one setting as plain texts. Other texts, and rows without a new value, are set aside."""
    read = parse_numbers(part[f"{side}_text"], reader.mark)
    bad = read.bad | (read.values.is_null() if side == "to" else False)
    if bad.any():
        hit, name = _rows_of(reader, part["i"].filter(bad)), f"{side}_value"
        texts = reader.words(name)
        missing = is_missing(texts)
        sentence = f"{setting.label}: the row does not say which value it was set to."
        reader.set_aside(hit & missing, "not_a_number", name, texts, sentence)
        sentence = f"{setting.label} is a number in {setting.unit or 'steps'}, and '{{}}' is not one."
        reader.set_aside(hit & ~missing, "not_a_number", name, texts, sentence)
    values = pl.DataFrame({"v": read.values}).select(change.apply(pl.col("v"))).to_series()
    texts_of = {value: plain_number(value) for value in values.unique().drop_nulls().to_list()}
    return values.replace_strict(texts_of, default=None, return_dtype=pl.String)


def _with_known_before(frame: pl.DataFrame) -> pl.DataFrame:
    """The value before, where it is not logged, from the row before of the same machine and setting."""
    ordered = frame.sort("time", "row", maintain_order=True)
    before = pl.col("to_value").shift(1).over(["machine", "setting"])
    return ordered.with_columns(from_value=pl.col("from_value").fill_null(before))
