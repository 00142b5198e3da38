"""Numbers, ranges, times, names and sentences as pages show them.

Percentages of effects have two significant digits. A name from a file is data: ``name_in_figure`` makes it
harmless for Plotly, which reads a part of HTML; templates escape it themselves.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from datetime import datetime
from html import escape
from zoneinfo import ZoneInfo

from chaffinch.pipelines.validate.judgement import in_words
from chaffinch.schemas.declarations import crops, reasons, settings
from chaffinch.schemas.tables import NOT_LOGGED

MINUS = "−"
NARROW = "\u00a0"
MOST_PLACES = 2
MOST_NAMED = 12
OUTCOME_WORDS = {
    "separation_loss": "separation loss",
    "cleaning_loss": "cleaning loss",
    "machine_loss": "machine loss",
    "throughput": "throughput",
    "capacity": "capacity",
    "broken_grain": "broken grain",
    "non_grain": "non-grain (MOG)",
    "returns": "returns (tailings)",
    "fuel_per_tonne": "fuel per tonne",
}
OUTCOME_MEANING = {
    "separation_loss": "separation loss in % of total grain, at the same grain feed rate and conditions",
    "cleaning_loss": "cleaning loss in % of total grain, at the same grain feed rate and conditions",
    "machine_loss": "separation and cleaning loss together, at the same grain feed rate and conditions",
    "throughput": "grain per hour as driven",
    "capacity": "grain per hour possible at the same loss share",
    "broken_grain": "broken grain, % of the sample",
    "non_grain": "material other than grain (MOG) in the tank, % of the sample",
    "returns": "volume of tailings returned from the cleaning shoe",
    "fuel_per_tonne": "fuel per tonne of grain",
}
MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]
MORE_IS_BETTER = {"throughput", "capacity"}
NEITHER_IS_BETTER = {"returns"}
LOSS_OUTCOMES = {"separation_loss", "cleaning_loss", "machine_loss"}


def significant(value: float, digits: int = 2) -> str:
    """``value`` with so many significant digits, at most two places; a true minus sign."""
    if not math.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    places = min(places, MOST_PLACES)
    rounded = round(value, places)
    text = f"{abs(rounded):.{max(places, 0)}f}" if rounded else "0"
    return (MINUS if rounded < 0 else "") + text


def signed(value: float, digits: int = 2) -> str:
    """Like ``significant``, with a plus sign before what is above zero."""
    text = significant(value, digits)
    return f"+{text}" if value > 0 and text != "0" else text


def share_in_words(share: float) -> str:
    """A share of one in %, never shown as nothing unless it is: ``under 0.1 %``."""
    return f"under 0.1{NARROW}%" if 0 < share < 0.001 else f"{significant(100 * share)}{NARROW}%"


def percent_range(low: float, high: float) -> str:
    """``−25 to +20 %``."""
    return f"{signed(low)} to {signed(high)}{NARROW}%"


def change_in_words(percent: float, low: float, high: float) -> str:
    """``up 31 % (14 to 51 %)`` or ``down 22 % (5.0 to 35 %)``: a change whose range excludes zero."""
    ends = sorted((abs(low), abs(high)))
    direction = "up" if percent > 0 else "down"
    size = significant(abs(percent))
    return f"{direction} {size}{NARROW}% ({significant(ends[0])} to {significant(ends[1])}{NARROW}%)"


def tone(outcome: str, verdict: str) -> str:
    """Name of the palette's colour for a verdict: better, worse, or unclear where neither direction is."""
    if verdict not in ("less", "more") or outcome in NEITHER_IS_BETTER:
        return "unclear"
    return "better" if (verdict == "more") == (outcome in MORE_IS_BETTER) else "worse"


def setting_label(name: str) -> str:
    """``Fan speed`` for a setting of the catalogue, else the name as logged."""
    if name == NOT_LOGGED:
        return "Unlogged change"
    known = settings().get(name)
    return known.label if known else name.replace("_", " ")


def field_label(name: str | None) -> str:
    return "No field named" if name is None else name


def crop_label(name: str | None) -> str:
    known = crops().get(name or "")
    return known.label if known else (name or "crop not logged")


def setting_change(name: str, from_value: str | None, to_value: str | None, unit: str | None) -> str:
    """``Fan speed 1000 → 1080 rpm``; a service by its name alone."""
    label = setting_label(name)
    if to_value is None:
        return label
    after = f"{to_value} {unit}" if unit else to_value
    return f"{label} {from_value} → {after}" if from_value is not None else f"{label} to {after}"


def compared_values(name: str, before: str | None, after: str | None, unit: str | None) -> str:
    """``Fan speed 1080 against 1000 rpm``: two values of a trial."""
    return f"{setting_label(name)} {after} against {before}{f' {unit}' if unit else ''}"


def pooled_name(
    setting: str, before: str | None, after: str | None, step: float | None, unit: str | None
) -> str:
    """``Fan speed, per +50 rpm``; ``Chopper speed low → high``; a service by its name."""
    label = setting_label(setting)
    if step is not None and unit == "m/s":
        return f"{label}, per +{step:g} m/s at the tip"
    if step is not None:
        return f"{label}, per +{step:g} {unit or ''}".rstrip()
    if before is not None or after is not None:
        return f"{label} {before or 'any'} → {after or 'any'}"
    return label


def reason_sentence(code: str) -> str:
    """The plain sentence of a reason code; an unknown code is shown as it is rather than hidden."""
    known = reasons().get(code)
    return known.sentence if known else f"Reason code {code}."


def zone(name: str | None) -> ZoneInfo:
    return ZoneInfo(name or "UTC")


def clock(moment: datetime, zone_name: str | None) -> str:
    """``10:42`` in the zone."""
    return moment.astimezone(zone(zone_name)).strftime("%H:%M")


def day(moment: datetime, zone_name: str | None) -> str:
    """``20 July 2026`` in the zone; English whatever the locale."""
    local = moment.astimezone(zone(zone_name))
    return f"{local.day} {MONTHS[local.month - 1]} {local.year}"


def duration(seconds: float) -> str:
    """``45 s``, ``12 min`` or ``1 h 5 min``."""
    return f"{seconds:.0f} s" if seconds < 90 else in_words(seconds / 3600)


def plainly(value: object) -> object:
    """A text with every character that hides or reorders others shown as �; anything else as it is.

    Markup made by the templates themselves passes untouched.
    """
    if not isinstance(value, str) or hasattr(value, "__html__") or value.isprintable():
        return value
    return "".join(
        c if c.isprintable() or unicodedata.category(c) == "Zs" else " " if c.isspace() else "\ufffd"
        for c in value
    )


def name_in_figure(name: str, most: int = 44) -> str:
    """``name`` for a text of a figure: shortened, without control or direction characters, escaped."""
    kept = "".join(c if unicodedata.category(c)[0] != "C" else " " for c in name)
    kept = " ".join(kept.split())
    if len(kept) > most:
        kept = kept[: most - 1] + "…"
    return escape(kept, quote=False)


def grouped(number: str) -> str:
    """Thousands set apart: ``12,300``."""
    head, dot, tail = number.partition(".")
    sign = head[: len(head) - len(head.lstrip("+" + MINUS))]
    digits = head[len(sign) :]
    return f"{sign}{int(digits):,}{dot}{tail}" if digits.isdigit() else number


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``; long lists are cut with their count."""
    if len(names) > MOST_NAMED:
        return f"{', '.join(names[:MOST_NAMED])} and {len(names) - MOST_NAMED} more"
    return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def capitalized(text: str) -> str:
    """The first letter as a capital, the rest as it is."""
    return text[:1].upper() + text[1:]


def uncapitalized(text: str) -> str:
    """The first letter small, the rest as it is: for the middle of a sentence."""
    return text[:1].lower() + text[1:]
