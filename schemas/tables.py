"""Contracts of the lake: one declaration per table and column; everything else derives from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from chaffinch.schemas.declarations import OUTCOMES, channels, settings

if TYPE_CHECKING:
    import polars as pl

# What stands for a setting in `effects` where a step was found that no log explains.
NOT_LOGGED = "not logged"
# Outcomes of which more is better; of all others less is.
HIGHER_IS_BETTER = ("throughput", "capacity")
VERDICTS = ("less", "more", "no clear change", "cannot tell")


@dataclass(frozen=True, slots=True)
class Column:
    """``kind``: text, number, whole, flag (0/1), moment (UTC, microseconds), texts (list of text)."""

    name: str
    kind: str
    meaning: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    partition: tuple[str, ...] = ()
    owner: str = ""
    """Column whose values name the rows that are written and taken out together."""

    def polars_schema(self) -> dict[str, pl.DataType]:
        """Column name to Polars type, in contract order."""
        import polars as pl

        types: dict[str, pl.DataType] = {
            "text": pl.String(),
            "number": pl.Float64(),
            "whole": pl.Int64(),
            "flag": pl.Int8(),
            "moment": pl.Datetime("us", "UTC"),
            "texts": pl.List(pl.String()),
        }
        return {column.name: types[column.kind] for column in self.columns}

    def empty(self) -> pl.DataFrame:
        """No rows, every column of the contract."""
        import polars as pl

        return pl.DataFrame(schema=self.polars_schema())

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """``frame`` with exactly the contract's columns, order and types; absent columns null.

        Raises ``ValueError`` on a column that the contract lacks: silently dropping it would lose data.
        """
        import polars as pl

        schema = self.polars_schema()
        strange = [name for name in frame.columns if name not in schema]
        if strange:
            raise ValueError(f"table {self.name} has no column {', '.join(strange)}")
        return frame.select(
            (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
            for name, kind in schema.items()
        )


_SOURCE = (
    Column("delivery", "text", "identifier of the delivered file: start of its content hash", True),
    Column("file", "text", "name of the file inside the inbox", True),
    Column("row", "whole", "row in that file, the first line is 1", True),
)


def _setting_columns(what: str = "set value: ") -> tuple[Column, ...]:
    kinds = {"number": "number", "ordered": "text", "either_or": "text"}
    return tuple(
        Column(s.column, kinds[s.kind], f"{what}{s.label}") for s in settings().values() if s.kind in kinds
    )


_JOB = (
    Column(
        "job", "text", "identifier of the machine and field, or of the machine and day without a field", True
    ),
    Column("made_from", "text", "digest of all that the row was made from", True),
    Column("machine", "text", "name of the machine", True),
    Column("field", "text", "name of the field"),
)


def _work() -> Table:
    return Table(
        "work",
        "one row per reading, with what the machine did, whether it is used, and the settings in force",
        ("job", "delivery", "file", "row"),
        (
            *_JOB,
            Column("crop", "text", "name of the crop"),
            Column("time", "moment", "moment of the reading", True),
            *_SOURCE,
            Column("pass_number", "whole", "run through the crop, from 1; null outside"),
            Column("pass_kind", "text", "main, headland, point_row, narrow"),
            Column("work_class", "text", "what the machine did", True),
            Column("usable", "flag", "1 where it counts as steady work", True),
            Column("unused_because", "text", "code of the reason; null where usable"),
            Column("reason", "text", "the same in plain words"),
            Column("effective_width_m", "number", "crop before the cutter bar, by geometry"),
            Column("side_slope_pct", "number", "steepness across the way"),
            Column("feed_rate_t_h", "number", "grain feed rate, wet, at the moment of intake"),
            Column("separation_loss_aligned", "number", "separation loss at the moment of intake, as logged"),
            Column("cleaning_loss_aligned", "number", "cleaning loss at the moment of intake, as logged"),
            Column("moisture_aligned_pct", "number", "grain moisture at the moment of intake"),
            Column("speed_m_s", "number", "speed, from distance where the log lacks it"),
            Column("pitch_deg", "number", "pitch, from elevation where the log lacks it"),
            Column("roll_deg", "number", "roll, from elevation where the log lacks it"),
            Column("grain_flow_kg_s", "number", "grain flow at the sensor, wet, calibrated by weighed loads"),
            Column(
                "grain_moisture_pct", "number", "grain moisture at the sensor, calibrated by weighed loads"
            ),
            *_setting_columns("in force: "),
        ),
        ("job", "made_from"),
        "job",
    )


def _responses() -> Table:
    return Table(
        "responses",
        "one row per machine (null: all), crop, setting, outcome and value inside the range tried",
        ("machine", "crop", "setting", "outcome", "value"),
        (
            Column("machine", "text", "null where it is about all machines"),
            Column("crop", "text", "name of the crop"),
            Column("setting", "text", "numeric setting, as in the catalogue", True),
            Column("unit", "text", "of the values"),
            Column("outcome", "text", "one of the outcomes", True),
            Column("value", "number", "value of the setting; never beyond those tried", True),
            Column(
                "value_in_use",
                "number",
                "value after the setting's last change, or the nearest one tried; the middle one of machines",
                True,
            ),
            Column("log_ratio", "number", "natural log of the outcome over that at the value in use", True),
            Column("log_ratio_low", "number", "lower end of the 95 % range", True),
            Column("log_ratio_high", "number", "upper end of the 95 % range", True),
            Column(
                "absolute", "number", "machine loss against the value in use, kg/ha, where loss checks tell"
            ),
            Column("absolute_low", "number", "lower end of the 95 % range"),
            Column("absolute_high", "number", "upper end of the 95 % range"),
            Column(
                "chance_best",
                "number",
                "probability that no other value of the range is better, 0 to 1: least, or of throughput and "
                "capacity most",
                True,
            ),
            Column(
                "expected_regret",
                "number",
                "by how much, as a natural log, the value is expected to fall short of the best of the range",
                True,
            ),
            Column("adjustments_pooled", "whole", "adjustments of the setting behind the range tried", True),
        ),
    )


BINNED_OUTCOMES = tuple(outcome for outcome in OUTCOMES if outcome != "capacity")


def _bins() -> Table:
    return Table(
        "bins",
        "one row per ten seconds of steady work in one pass between two changes",
        ("job", "harvest", "time"),
        (
            *_JOB,
            Column("harvest", "whole", "harvest of the field, from 1", True),
            Column("time", "moment", "mean moment of the bin", True),
            Column("seconds", "number", "seconds of usable work in the bin", True),
            Column("step", "whole", "changes of settings before the bin", True),
            Column("since_start_s", "number", "from the start of the pass"),
            Column("until_end_s", "number", "to the end of the pass"),
            Column("feed_t_h", "number", "grain feed rate, wet"),
            Column("moisture_pct", "number", "grain moisture"),
            Column("roll_deg", "number", "roll"),
            Column("pitch_deg", "number", "pitch"),
            Column("east_m", "number", "east of the middle of the field"),
            Column("north_m", "number", "north of the middle of the field"),
            Column("area_m2_s", "number", "area cut a second"),
            Column("loss_signal", "number", "both loss signals summed, as logged"),
            *(Column(f"log_{one}", "number", f"natural log of {one}") for one in BINNED_OUTCOMES),
        ),
        ("job", "made_from"),
        "job",
    )


def _trials() -> Table:
    return Table(
        "trials",
        "one row per step of a planned trial, with what was done of it when",
        ("delivery", "file", "row"),
        (
            *_SOURCE,
            Column("trial", "text", "name of the trial", True),
            Column("machine", "text", "name of the machine", True),
            Column("crop", "text", "name of the crop, where the trial is meant for one"),
            Column("setting", "text", "setting that is compared", True),
            Column("unit", "text", "unit of its values, as in the catalogue"),
            Column("values", "texts", "the values that are compared", True),
            Column("second_setting", "text", "second setting of a trial of two"),
            Column("second_values", "texts", "values of the second setting"),
            Column("seed", "whole", "of the random order"),
            Column("tell_percent", "number", "change of loss that the trial is to tell from none, %"),
            Column("steps", "whole", "steps planned", True),
            Column("status", "text", "planned, running, finished or abandoned", True),
            Column("step", "whole", "number of the step, from 1", True),
            Column("value", "text", "value in the step", True),
            Column("second_value", "text", "value of the second setting in the step"),
            Column("minutes", "number", "planned length, minutes"),
            Column("passes", "whole", "planned length, passes; null where it is in minutes"),
            Column("step_status", "text", "planned, done, late or skipped", True),
            Column("done_at", "moment", "when the value came into force; null where it was in force before"),
            Column("done_minutes", "number", "minutes from then until the next change of the setting"),
            Column("deviation", "text", "how the work differed from the plan, in plain words"),
            Column("extra", "whole", "changes during the trial that it did not plan, of any setting"),
        ),
        ("delivery",),
        owner="delivery",
    )


def _field_jobs() -> Table:
    return Table(
        "field_jobs",
        "one row per machine, field and harvest: what was found in its readings as a whole",
        ("job", "harvest"),
        (
            *_JOB,
            Column("day", "text", "UTC date of readings without a field"),
            Column("harvest", "whole", "harvest of the field, from 1", True),
            Column("crop", "text", "name of the crop"),
            Column("first_time", "moment", "earliest reading", True),
            Column("last_time", "moment", "latest reading", True),
            Column("readings", "whole", "rows in work", True),
            Column("bins", "whole", "rows in bins", True),
            Column("grain_delay_s", "number", "from header to grain flow sensor, as used", True),
            Column("separation_delay_s", "number", "from header to separation loss sensor, as used", True),
            Column("cleaning_delay_s", "number", "from header to cleaning loss sensor, as used", True),
            Column("moisture_delay_s", "number", "from header to moisture sensor, as used", True),
            Column("loss_delay_s", "number", "of both loss sensors, as used", True),
            Column("outcomes", "texts", "outcomes that its signals show", True),
            Column("flaws", "texts", "what is wrong with a signal: outcome and code, with a colon between"),
            Column("not_usable_because", "text", "code of the reason why there is no usable work"),
            Column("calibrated", "flag", "1 where losses are logged in kg/s"),
            Column("changes", "text", "for each adjustment in its days, the number of its change, as JSON"),
            Column("loss_checks", "text", "kg/s weighed, loss signal and time of each loss check, as JSON"),
            Column("delays_found", "text", "delays of the sensors by these readings alone, as JSON", True),
            Column("delays_found_in", "text", "digest of the readings and the program", True),
        ),
        owner="job",
    )


@cache
def tables() -> dict[str, Table]:
    """The tables of the lake, by name."""
    listed = (
        Table(
            "readings",
            "one row per logged row of a harvest log",
            ("delivery", "file", "row"),
            (
                *_SOURCE,
                Column("time", "moment", "moment of the reading", True),
                Column("machine", "text", "name of the machine", True),
                Column("field", "text", "name of the field; null when neither file nor boundary names it"),
                Column("crop", "text", "name of the crop, as in schemas/crops.toml where known"),
                *(
                    Column(c.name, "flag" if c.name in ("working", "unloading") else "number", c.meaning)
                    for c in channels().values()
                ),
                *_setting_columns(),
                Column("other", "text", "columns that no channel matches, as a JSON object of texts"),
            ),
            ("delivery",),
            owner="delivery",
        ),
        Table(
            "adjustments",
            "one row per logged change of one setting",
            ("delivery", "file", "row", "setting"),
            (
                *_SOURCE,
                Column("time", "moment", "moment of the change", True),
                Column("machine", "text", "name of the machine", True),
                Column(
                    "setting",
                    "text",
                    "name in the catalogue, or as logged where the catalogue lacks it",
                    True,
                ),
                Column("from_value", "text", "value before, where logged or known from earlier rows"),
                Column("to_value", "text", "value after; null for a service event"),
                Column("unit", "text", "unit of both values after conversion, as in the catalogue"),
                Column("kind", "text", "number, ordered, either_or, service, or unknown", True),
                Column("origin", "text", "settings log, setting column, or task data", True),
                Column("note", "text", "the logger's remark"),
            ),
            ("delivery",),
            owner="delivery",
        ),
        Table(
            "loss_checks",
            "one row per weighed or counted pan or frame",
            ("delivery", "file", "row"),
            (
                *_SOURCE,
                Column("time", "moment", "moment of the check", True),
                Column("machine", "text", "name of the machine", True),
                Column("field", "text", "name of the field"),
                Column(
                    "place",
                    "text",
                    "where it was counted: machine, header, pre-harvest, separation, cleaning",
                ),
                Column("machine_loss_kg_ha", "number", "loss behind the machine, over the cut width", False),
                Column("kernels", "number", "kernels counted in all frames"),
                Column("sample_mass_g", "number", "clean grain found in all frames"),
                Column("frame_area_m2", "number", "area of one frame"),
                Column("frames", "number", "number of frames"),
                Column("thousand_kernel_mass_g", "number", "mass of 1000 kernels"),
                Column("discharge_width_m", "number", "width over which the residue fell"),
                Column("cut_width_m", "number", "width that was cut"),
                Column("other", "text", "columns that nothing matches, as a JSON object of texts"),
            ),
            ("delivery",),
            owner="delivery",
        ),
        Table(
            "load_tickets",
            "one row per load that was weighed",
            ("delivery", "file", "row"),
            (
                *_SOURCE,
                Column("time", "moment", "when the machine began to cut the load", True),
                Column("end_time", "moment", "when it ended", True),
                Column("machine", "text", "name of the machine", True),
                Column("field", "text", "name of the field"),
                Column("crop", "text", "name of the crop, as in schemas/crops.toml where known"),
                Column("ticket", "text", "number of the ticket"),
                Column("mass_kg", "number", "net mass on the scale, at the moisture of harvest", True),
                Column("moisture_pct", "number", "moisture of the load, wet basis"),
                Column("other", "text", "columns that nothing matches, as a JSON object of texts"),
            ),
            ("delivery",),
            owner="delivery",
        ),
        _trials(),
        Table(
            "fields",
            "one row per field boundary",
            ("delivery", "file", "row"),
            (
                *_SOURCE,
                Column("field", "text", "name of the field", True),
                Column("boundary_wkt", "text", "polygon or multipolygon, longitude latitude, WGS 84", True),
                Column("area_ha", "number", "geodesic area"),
            ),
            ("delivery",),
            owner="delivery",
        ),
        Table(
            "set_aside",
            "one row per rule that an input row failed, and column at fault",
            ("delivery", "file", "row", "rule", "column"),
            (
                *_SOURCE,
                Column("rule", "text", "code of the rule", True),
                Column("column", "text", "column at fault"),
                Column("value", "text", "the value in the file, at most 500 characters"),
                Column("sentence", "text", "what is wrong, in plain words", True),
                Column("content", "text", "the whole row as a JSON object of texts, so that nothing is lost"),
                Column(
                    "row_kept",
                    "flag",
                    "1 where only the value left: it is empty in the table, and the rest of its row is there",
                ),
            ),
            ("delivery",),
            owner="delivery",
        ),
        Table(
            "deliveries",
            "one row per file of the inbox that was ever looked at",
            ("delivery", "name"),
            (
                Column("delivery", "text", "identifier: start of the content hash", True),
                Column("name", "text", "path inside the inbox, with forward slashes", True),
                Column("other_names", "texts", "other names under which the same content was met"),
                Column("content_sha256", "text", "hash of the bytes", True),
                Column("size_bytes", "whole", "size of the file"),
                Column(
                    "kind",
                    "text",
                    "harvest log, settings log, loss checks, load tickets, trial, task data, boundaries, farm, "
                    "picture, setting columns (changes between two logs, worked out here), unknown",
                    True,
                ),
                Column(
                    "status",
                    "text",
                    "taken in, taken in with rows set aside, could not be read, retracted",
                    True,
                ),
                Column("reason", "text", "one sentence: why it could not be read, or what needs attention"),
                Column("rows_read", "whole", "rows of data found"),
                Column("rows_kept", "whole", "rows that went into a table"),
                Column("rows_set_aside", "whole", "rows set aside whole"),
                Column("machines", "texts", "machines in it"),
                Column("fields", "texts", "fields in it"),
                Column("first_time", "moment", "earliest row"),
                Column("last_time", "moment", "latest row"),
                Column("unmatched_columns", "texts", "columns kept in `other`"),
                Column("notes", "texts", "sentences about how the file was read: zone, units, clock changes"),
                Column("judgement", "text", "good, look, or poor: the worst of the batch expectations"),
                Column("findings", "texts", "a sentence for each batch expectation that was not met"),
                Column("rows_stored", "text", "rows in each table, a JSON object; `check` counts again"),
                Column("read_with", "text", "digest of what decides how it is read"),
                Column("stated", "text", "the text of a farm.toml, so that later commands know it"),
                Column("taken_in_at", "moment", "when this program took it in"),
            ),
            owner="delivery",
        ),
        _work(),
        _bins(),
        _field_jobs(),
        Table(
            "effects",
            "one row per scope, setting (or joint change) and outcome",
            ("scope", "machine", "field", "crop", "time", "setting", "outcome"),
            (
                Column("scope", "text", "adjustment, field, machine or season", True),
                Column("machine", "text", "null where pooled over"),
                Column("field", "text", "null where pooled over"),
                Column("crop", "text", "null where pooled over"),
                Column("time", "moment", "of the adjustment; null where pooled"),
                Column(
                    "setting", "text", "as in the catalogue; `not logged` for a step found in the log", True
                ),
                Column("from_value", "text", "value before; null where pooled"),
                Column("to_value", "text", "value after; null where pooled"),
                Column("unit", "text", "of the values"),
                Column("joint_id", "text", "the same for all settings of a joint change"),
                Column("outcome", "text", "one of the outcomes", True),
                Column("trial", "text", "name of the trial that the row belongs to; null otherwise"),
                Column("percent", "number", "change of the outcome, %, by this log and what others share"),
                Column("percent_low", "number", "lower end of the 95 % range, %"),
                Column("percent_high", "number", "upper end of the 95 % range, %"),
                Column("log_ratio", "number", "the same on the natural-log scale"),
                Column("log_ratio_low", "number", "lower end of the 95 % range"),
                Column("log_ratio_high", "number", "upper end of the 95 % range"),
                Column("alone_percent", "number", "what this log, or these logs, say alone; null for season"),
                Column("alone_percent_low", "number", "lower end of its 95 % range"),
                Column("alone_percent_high", "number", "upper end of its 95 % range"),
                Column("alone_log_ratio", "number", "the same on the natural-log scale"),
                Column("alone_log_ratio_low", "number", "lower end of its 95 % range"),
                Column("alone_log_ratio_high", "number", "upper end of its 95 % range"),
                Column("chance_less", "number", "posterior probability that the outcome fell, 0 to 1"),
                Column("shared_with", "whole", "other adjustments of the setting behind the answer"),
                Column(
                    "absolute", "number", "change in absolute_unit, where loss checks calibrate the signal"
                ),
                Column("absolute_low", "number", "lower end of the 95 % range"),
                Column("absolute_high", "number", "upper end of the 95 % range"),
                Column("absolute_unit", "text", "kg/ha where absolute is given"),
                Column("per_step", "number", "pooled numbers: the step to which the change refers"),
                Column("tried_low", "number", "least value tried, numbers only"),
                Column("tried_high", "number", "greatest value tried, numbers only"),
                Column("verdict", "text", "less, more, no clear change, cannot tell", True),
                Column("reasons", "texts", "codes of schemas/reasons.toml"),
                Column("readings_before", "number", "seconds of usable work before"),
                Column("readings_after", "number", "seconds of usable work after"),
                Column("adjustments_pooled", "whole", "adjustments behind the row"),
                Column("placebos", "whole", "placebo adjustments behind the check of the range"),
                Column(
                    "plain_percent",
                    "number",
                    "what comparing the quarter hours before and after would have said, %; adjustments only",
                ),
                Column(
                    "next_field_percent_low",
                    "number",
                    "lower end of the 95 % range in a field to come; machines and seasons",
                ),
                Column("next_field_percent_high", "number", "upper end of that range"),
                Column(
                    "clock_off_s",
                    "number",
                    "clock of the settings log minus that of the harvest log, as found",
                ),
                Column("clock_off_low_s", "number", "lower end of its 95 % range"),
                Column("clock_off_high_s", "number", "upper end of its 95 % range"),
                Column("computed_at", "moment", "when it was estimated"),
            ),
        ),
        _responses(),
    )
    return {table.name: table for table in listed}
