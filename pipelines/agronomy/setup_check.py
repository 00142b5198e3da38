"""Settings in a log that differ from common practice: in words, and never as an alarm.

Common practice is not a measurement. Every finding names its source, or that it has no source; the estimated effects
of the machine's own adjustments count more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import polars as pl
from chaffinch.schemas.declarations import (
    Combination,
    Crop,
    Setting,
    combinations,
    crops,
    letters_and_digits,
    settings,
)
from chaffinch.schemas.words.trade_words import crop_names


@dataclass(frozen=True, slots=True)
class SetupFinding:
    """One thing worth a look.

    kind : ``unusual`` for the crop, ``unlikely`` (a slip of the log is likelier), or ``forbidden`` together.
    settings : names in the catalogue. share : of the working readings in which it holds, 0 to 1; NaN for a
    jump. source : where the expectation is from.
    """

    kind: Literal["unusual", "unlikely", "forbidden"]
    settings: tuple[str, ...]
    sentence: str
    share: float
    source: str


def setup_check(
    readings: pl.DataFrame,
    crop: str | None,
    drum_diameter_m: float | None = None,
    never_together: Sequence[Mapping[str, str]] = (),
) -> tuple[SetupFinding, ...]:
    """Look over the positions logged in ``readings`` of one machine in one ``crop``.

    ``readings``: one row a reading (or a single row of positions) with the columns of settings
    (``Setting.column``); absent or null ones are not judged. Rows with ``working`` = 0 do not count. In a
    crop that the declarations do not know, only what holds in every crop is judged. The tip speed needs
    ``drum_diameter_m``. ``never_together``: positions, by setting, that the machine's maker forbids together. These
    come first, then unlikely logs, then unusual positions.
    """
    worked = readings
    if "working" in readings.columns:
        worked = readings.filter(pl.col("working").fill_null(1) != 0)
    if worked.is_empty():
        return ()
    logged = {s.name: s for s in settings().values() if s.column in worked.columns}
    worked = worked.with_columns(_canonical(worked, s) for s in logged.values() if s.positions)
    listed = [*map(_stated_for_the_machine, never_together), *combinations().values()]
    found = [f for c in listed if (f := _combination(worked, c, logged))]
    found += [f for s in logged.values() if (f := _implausible(worked, s))]
    known = crops().get(crop_names().get(letters_and_digits(crop or ""), ""))
    if known:
        found += [f for s in logged.values() for f in _unusual(worked, s, known)]
        found += _tip_speed(worked, known, drum_diameter_m)
    order = ("forbidden", "unlikely", "unusual")
    return tuple(sorted(found, key=lambda f: order.index(f.kind)))


def doubtful_jumps(adjustments: pl.DataFrame) -> tuple[SetupFinding, ...]:
    """Adjustments larger than any that is made at one time, and values that no machine has.

    ``adjustments``: columns ``time``, ``setting``, ``from_value``, ``to_value`` as in the table, values in
    the unit of the catalogue. Values that are not numbers are not judged.
    """
    numbers = {s.name: s for s in settings().values() if s.kind == "number"}
    limits = pl.DataFrame(
        {
            "setting": list(numbers),
            "low": [s.low for s in numbers.values()],
            "high": [s.high for s in numbers.values()],
            "largest_jump": [s.largest_jump for s in numbers.values()],
        },
        schema={"setting": pl.String, "low": pl.Float64, "high": pl.Float64, "largest_jump": pl.Float64},
    )
    before, after = _number("from_value"), _number("to_value")
    numeric = adjustments.join(limits, on="setting", how="inner", validate="m:1", maintain_order="left")
    suspect = numeric.select(
        "time",
        "setting",
        "from_value",
        "to_value",
        jumps=((after - before).abs() > pl.col("largest_jump")).fill_null(False),
        outside=((after < pl.col("low")) | (after > pl.col("high"))).fill_null(False),
    )
    return tuple(
        _jump(numbers[row["setting"]], row)
        for row in suspect.filter(pl.col("jumps") | pl.col("outside")).iter_rows(named=True)
    )


def _canonical(worked: pl.DataFrame, setting: Setting) -> pl.Expr:
    """The column with each word as the catalogue writes it; words it does not know stay as they are."""
    words = worked[setting.column].cast(pl.String).drop_nulls().unique().to_list()
    known = {word: setting.position(word) or word for word in words}
    return pl.col(setting.column).cast(pl.String).replace(known)


def _stated_for_the_machine(when: Mapping[str, str]) -> Combination:
    parts = [f"{settings()[name].label} {position}" for name, position in when.items()]
    text = " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
    sentence = (
        f"{text} are logged together, which farm.toml rules out for this machine: the log is wrong, or the "
        "machine was set against its manual."
    )
    return Combination(
        name="never_together", kind="forbidden", when=when, sentence=sentence, source="farm.toml"
    )


def _combination(worked: pl.DataFrame, c: Combination, logged: dict[str, Setting]) -> SetupFinding | None:
    involved = (*c.when, *c.exceeds)
    if not all(name in logged for name in involved):
        return None
    if c.when:
        holds = pl.all_horizontal(pl.col(logged[s].column) == position for s, position in c.when.items())
    else:
        above, below = (_number(logged[s].column) for s in c.exceeds)
        holds = above > below
    share = _share(worked, holds)
    if share == 0:
        return None
    return SetupFinding(c.kind, involved, f"{c.sentence} {_how_often(share)}", share, c.source)


def _implausible(worked: pl.DataFrame, setting: Setting) -> SetupFinding | None:
    if setting.kind != "number" or setting.low is None or setting.high is None:
        return None
    value = _number(setting.column)
    share = _share(worked, (value < setting.low) | (value > setting.high))
    if share == 0:
        return None
    sentence = (
        f"{setting.label} is logged outside {setting.low:g} to {setting.high:g} {setting.unit}, where no "
        f"machine works: look at its unit or its sensor. {_how_often(share)}"
    )
    return SetupFinding("unlikely", (setting.name,), sentence, share, "common practice, no source")


def _unusual(worked: pl.DataFrame, setting: Setting, crop: Crop) -> list[SetupFinding]:
    usual = setting.usual_positions(crop.name)
    if not usual:
        return []
    note = f"{setting.usual_note} " if setting.usual_note else ""
    counts = worked[setting.column].drop_nulls().value_counts(sort=True)
    found = []
    for word, count in counts.iter_rows():
        if word in usual or word not in setting.positions:
            continue
        share = count / worked.height
        sentence = (
            f"{setting.label} logged {word} in {crop.label.lower()}; {' or '.join(usual)} is common "
            f"({setting.usual_source}). {note}{_how_often(share)}"
        )
        found.append(SetupFinding("unusual", (setting.name,), sentence, share, setting.usual_source))
    return found


def _tip_speed(worked: pl.DataFrame, crop: Crop, drum_diameter_m: float | None) -> list[SetupFinding]:
    from chaffinch.pipelines.agronomy.tip_speed import tip_speed_m_s

    threshing = settings()["threshing_speed"]
    least, most = crop.tip_speed_low_m_s, crop.tip_speed_high_m_s
    if drum_diameter_m is None or least is None or most is None or threshing.column not in worked.columns:
        return []
    middle = worked.select(_number(threshing.column).median()).item()
    if not isinstance(middle, float):
        return []
    tip = float(tip_speed_m_s(drum_diameter_m, middle))
    if least <= tip <= most:
        return []
    sources = "; ".join(crop.sources[name] for name in ("tip_speed_low_m_s", "tip_speed_high_m_s"))
    source = "; ".join(dict.fromkeys(sources.split("; ")))
    sentence = (
        f"Threshing speed is {middle:.0f} rpm, a tip speed of {tip:.1f} m/s on a drum of "
        f"{drum_diameter_m:g} m; {least:g} to {most:g} m/s is usual in {crop.label.lower()} ({source})."
    )
    return [SetupFinding("unusual", (threshing.name,), sentence, 1.0, source)]


def _jump(setting: Setting, row: dict) -> SetupFinding:
    before = "an unknown value" if row["from_value"] is None else row["from_value"]
    when = f" at {row['time']:%Y-%m-%d %H:%M} UTC" if row["time"] is not None else ""
    reason = (
        f"no machine works outside {setting.low:g} to {setting.high:g} {setting.unit}"
        if row["outside"]
        else f"one adjustment seldom changes more than {setting.largest_jump:g} {setting.unit}"
    )
    sentence = f"{setting.label} logged from {before} to {row['to_value']} {setting.unit}{when}: {reason}."
    return SetupFinding("unlikely", (setting.name,), sentence, float("nan"), "common practice, no source")


def _number(column: str) -> pl.Expr:
    """The column as numbers, null where it is none: NaN would compare as greater than everything."""
    return pl.col(column).cast(pl.Float64, strict=False).fill_nan(None)


def _share(worked: pl.DataFrame, holds: pl.Expr) -> float:
    return worked.select(holds.fill_null(False).mean()).item()


def _how_often(share: float) -> str:
    if share >= 0.995:
        return "It holds throughout."
    part = f"{100 * share:.0f}" if share >= 0.01 else "under 1"
    return f"It holds in {part} % of the readings."
