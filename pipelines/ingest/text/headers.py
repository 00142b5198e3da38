"""What the columns of a table are: channels, settings, or the words every log shares (time, machine, field).

A header is split into a name and a unit; the name is compared with canonical names and synonyms by its
letters and digits alone.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache, lru_cache

from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm.entries import ColumnMeaning, FileColumns
from chaffinch.schemas.declarations import (
    channels,
    column_names,
    letters_and_digits,
    settings,
    table_columns,
    without_unit,
)
from chaffinch.schemas.units import UnitError, conversion, looks_like_unit
from chaffinch.schemas.words.trade_words import folded, foreign_names

# No column of a log has a longer name; a longer one is kept as it is.
LONGEST_HEADER = 200
FEWEST_LETTERS, NEARLY_ALIKE = 5, 0.8
_SET_WORDS = ("setpoint", "set point", "set", "target", "nominal", "desired", "commanded")
_ACTUAL_WORDS = ("actual", "measured", "current", "average", "avg", "mean", "instantaneous")


@dataclass(frozen=True, slots=True)
class Matched:
    """One column of a file and what it is.

    ``kind``: word, channel, setting or none. ``target``: the word, the channel, or the setting's name.
    ``rank`` says how surely: 0 stated in farm.toml, 1 canonical name, 2 synonym, 3 the set value of a setting
    and 4 its actual value, marked by an extra word. ``unit``: as written, None where the header has none.
    """

    position: int
    header: str
    kind: str = "none"
    target: str = ""
    unit: str | None = None
    rank: int = 9
    note: str | None = None

    @property
    def wanted_unit(self) -> str:
        """The unit that ``schemas`` declares for the target."""
        if self.kind == "channel":
            return channels()[self.target].unit
        if self.kind == "setting":
            return settings()[self.target].unit
        return table_columns()[self.target].unit if self.kind == "word" else ""


@cache
def _vocabulary() -> Mapping[str, tuple[str, str, int]]:
    """Plain name -> (kind, target, rank). Channels win over words, canonical names over synonyms."""
    found: dict[str, tuple[str, str, int]] = {}

    def add(kind: str, target: str, rank: int, *names: str) -> None:
        for name in names:
            found.setdefault(letters_and_digits(name), (kind, target, rank))

    for word in table_columns():
        add("word", word, 1, word)
    for channel in channels():
        add("channel", channel, 1, channel)
    for setting in settings().values():
        add("setting", setting.name, 1, setting.column, setting.name)
    for name, target in column_names().items():
        add("channel" if target in channels() else "setting", target, 2, name)
    for channel in channels():
        add("channel", channel, 2, without_unit(channel))
    for column in table_columns().values():
        add("word", column.name, 2, without_unit(column.name), *column.synonyms)
    for target, names in foreign_names().items():
        kind = "channel" if target in channels() else "setting" if target in settings() else "word"
        if kind != "word" or target in table_columns():
            for name in names:
                add(kind, target, 2, name, folded(name), _without_umlauts(name))
    return found


def _without_umlauts(name: str) -> str:
    """As machines without these letters write them."""
    pairs: dict[str, str | int | None] = {"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe"}
    return name.casefold().translate(str.maketrans(pairs))


@lru_cache(maxsize=2_000)
def proposed(header: str) -> str | None:
    """The channel, setting or column that a header which is not understood comes nearest to; None for none.

    A beginning of one known name ("Geschw."), or spelt nearly like one; a guess to be asked about, never used.
    """
    plain = _bare_form(header)
    if len(plain) < FEWEST_LETTERS:
        return None
    begun = {(kind, target) for name, (kind, target, _) in _vocabulary().items() if name.startswith(plain)}
    if len(begun) != 1:
        near = get_close_matches(plain, _vocabulary(), n=1, cutoff=NEARLY_ALIKE)
        begun = {_vocabulary()[near[0]][:2]} if near else set()
    if not begun:
        return None
    kind, target = begun.pop()
    return settings()[target].column if kind == "setting" else target


def split_unit(header: str) -> list[tuple[str, str | None]]:
    """The ways to read ``header`` as a name and a unit, most literal first.

    ``Speed (km/h)`` -> [("Speed", "km/h")]; ``speed_km_h`` -> [("speed_km_h", None), ("speed_km", "h"),
    ("speed", "km/h")].
    """
    bracketed = re.fullmatch(r"\s*(.*?)\s*[(\[{<]\s*([^()\[\]{}<>]*?)\s*[)\]}>]\s*", header)
    if bracketed and bracketed[1]:
        return [(bracketed[1], bracketed[2] or None)]
    tokens = [t for t in re.split(r"[\s_,;:\-]+", header) if t]
    sign_last = len(tokens) > 1 and not any(c.isalnum() for c in tokens[-1])
    ways: list[tuple[str, str | None]] = [] if sign_last else [(header, None)]
    for count in (1, 2, 3):
        if len(tokens) <= count:
            break
        tail = tokens[-count:]
        if looks_like_unit(unit := "/".join(tail)) or looks_like_unit(unit := "_".join(tail)):
            ways.append((" ".join(tokens[:-count]), unit))
    return ways


# Fields of the first rows are looked at as well, and a night has many rows.
@lru_cache(maxsize=20_000)
def recognise(header: str) -> Matched:
    """What ``header`` names, before any file or farm has its say. ``position`` is 0."""
    if len(header) > LONGEST_HEADER:
        return Matched(0, header)
    for name, unit in split_unit(header):
        plain = next((p for p in (letters_and_digits(name), folded(name)) if p in _vocabulary()), None)
        if plain is not None:
            kind, target, rank = _vocabulary()[plain]
            return _with_unit(Matched(0, header, kind, target, unit, rank))
    for name, unit in split_unit(header):
        for words, rank in ((_SET_WORDS, 3), (_ACTUAL_WORDS, 4)):
            kind, target, _ = _vocabulary().get(_without(name, words), ("none", "", 9))
            if kind == "setting" or (kind == "channel" and rank == 4):
                return _with_unit(Matched(0, header, kind, target, unit, rank))
    return Matched(0, header)


def _without(name: str, words: Sequence[str]) -> str:
    lower = re.sub(r"[\s_\-.]+", " ", name.lower()).strip()
    for word in words:
        shorter = re.sub(rf"(^|\s){word}(\s|$)", " ", lower).strip()
        if shorter != lower:
            return letters_and_digits(shorter)
    return ""


def _with_unit(matched: Matched) -> Matched:
    """Let the unit choose between a relative loss signal and a calibrated loss."""
    if matched.kind != "channel" or not matched.unit or not matched.target.endswith("_signal"):
        return matched
    calibrated = matched.target.removesuffix("_signal") + "_kg_s"
    if calibrated not in channels():
        return matched
    try:
        fits = not conversion(matched.unit, "kg/s").needs_bushel
    except UnitError:
        return matched
    return replace(matched, target=calibrated) if fits else matched


def match_columns(
    file: str, headers: Sequence[str], stated: FileColumns, units_row: Sequence[str | None] = ()
) -> list[Matched]:
    """What each column of ``file`` is, in the order of ``headers``.

    ``stated`` (farm.toml) wins over the headers. Raises ``UnreadableFile`` where two columns claim the same
    thing with equal right, naming both and the entry of farm.toml that settles it.
    """
    meant = stated_names(headers, stated) if stated.names else {}
    columns = [
        _match_one(i, header, stated.names.get(meant.get(header, "")), units_row)
        for i, header in enumerate(headers)
    ]
    claims: dict[tuple[str, str], list[Matched]] = {}
    for column in columns:
        if column.kind != "none":
            claims.setdefault((column.kind, column.target), []).append(column)
    for claimants in claims.values():
        if len(claimants) > 1:
            _settle(file, claimants, columns)
    return columns


def stated_names(headers: Sequence[str], stated: FileColumns) -> dict[str, str]:
    """Header -> the name under which farm.toml means it: as written, else without case and signs, else without units.

    Of several headers that are the same without their units, none is meant by a name without one.
    """
    found = {header: header for header in headers if header in stated.names}
    for forms in (_plain_form, _bare_form):
        owners: dict[str, list[str]] = {}
        for header in headers:
            owners.setdefault(forms(header), []).append(header)
        for name in stated.names:
            same = owners.get(forms(name), [])
            if name not in found.values() and len(same) == 1:
                found.setdefault(same[0], name)
    return found


def _plain_form(header: str) -> str:
    return letters_and_digits(header) or header


def _bare_form(header: str) -> str:
    # A header of damaged bytes may have no part at all.
    parts = split_unit(header[:LONGEST_HEADER])
    return (letters_and_digits(parts[-1][0]) if parts else "") or header


def _match_one(
    position: int, header: str, meaning: ColumnMeaning | None, units_row: Sequence[str | None]
) -> Matched:
    below = units_row[position] if position < len(units_row) else None
    if meaning is None:
        found = replace(recognise(header), position=position)
        return _with_unit(replace(found, unit=below)) if below and not found.unit else found
    if meaning.is_ == "ignore":
        return Matched(position, header, rank=0)
    if meaning.is_ in table_columns():
        kind, target = "word", meaning.is_
    elif meaning.is_ in channels():
        kind, target = "channel", meaning.is_
    else:
        owners = (s.name for s in settings().values() if meaning.is_ in (s.name, s.column))
        kind, target = "setting", next(owners)
    unit = meaning.unit or split_unit(header[:LONGEST_HEADER])[-1][1] or below
    return Matched(position, header, kind, target, unit, 0)


def _settle(file: str, claimants: list[Matched], columns: list[Matched]) -> None:
    """Keep the one surest claimant; the others become unmatched, with a note."""
    best = min(c.rank for c in claimants)
    winners = [c for c in claimants if c.rank == best]
    best_column = table_columns().get(winners[0].target)
    if len(winners) > 1 and not (best_column and best_column.only_in_load_tickets):
        first, second = winners[0], winners[1]
        raise UnreadableFile(
            file,
            f"Columns '{first.header}' (column {first.position + 1}) and '{second.header}' "
            f"(column {second.position + 1}) both look like {first.target}; say in farm.toml which to leave "
            f'out: [columns."{file.rpartition("/")[2]}"] names = {{ "{second.header}" = "ignore" }}.',
        )
    for loser in claimants:
        if loser is not winners[0]:
            note = (
                f"Column '{loser.header}' is kept unread, because '{winners[0].header}' gives {loser.target}."
            )
            columns[loser.position] = Matched(loser.position, loser.header, note=note)
