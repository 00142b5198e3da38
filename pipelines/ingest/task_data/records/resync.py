"""What makes a record sound, and where the next sound one begins after damage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Flags, Ints, Octets, Structured
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

DAY_MS = 86_400_000
UNKNOWN_TIME = 0xFFFFFFFF
FIRST_DAY = 7305  # 2000-01-01, in days since 1980-01-01
LAST_DAY = 25_567  # 2049-12-31
MAX_STATUS = 15
NO_STATUS = 0xFF
WINDOW_BYTES = 2**16
MAX_CANDIDATES = 2_000
NEAR_BYTES = 2**20
# As many sound records in a row prove that the log goes on; on another date than before the damage, more.
PROOF, PROOF_ON_ANOTHER_DATE = 3, 8
# A single record at the end of the log goes on only where it follows the last sound one within ten minutes.
SOON_MS = 600_000
PAIR = np.dtype([("index", "u1"), ("value", "<i4")])


@dataclass(frozen=True, slots=True)
class Layout:
    """Sizes and offsets of a record; ``day``, ``ms``: date and time of the last sound record, once there was one.

    any_date : whether a record may lie on any date from ``day`` on.
    """

    fixed_type: np.dtype
    values: int
    timed: bool
    day: int | None = None
    any_status: bool = False
    ms: int = 0
    any_date: bool = False

    @classmethod
    def of(cls, header: LogHeader) -> Layout:
        return cls(header.fixed_type, len(header.values), header.timed, any_status=header.any_status)

    @property
    def fixed_bytes(self) -> int:
        return self.fixed_type.itemsize

    def record_bytes(self, buffer: Octets, start: int) -> int:
        return self.fixed_bytes + 1 + 5 * int(buffer[start + self.fixed_bytes])

    def fixed_parts(self, buffer: Octets, starts: Ints, count: int = -1) -> Structured:
        """(R,) structured: the fixed parts at ``starts``; a view where all records hold ``count`` values."""
        if not self.fixed_bytes or not len(starts):
            return np.zeros(len(starts), self.fixed_type)
        if count >= 0:
            first = int(starts[0])
            flat = buffer[first : first + self.fixed_bytes].view(self.fixed_type)
            strides = (self.fixed_bytes + 1 + 5 * count,)
            return as_strided(flat, shape=(len(starts),), strides=strides, writeable=False)
        return _pieces(buffer, starts, self.fixed_bytes).view(self.fixed_type)

    def grouped_pairs(self, buffer: Octets, starts: Ints) -> Iterator[tuple[Ints, Structured]]:
        """Records of equal length together: (R,) their places among ``starts``, ascending, and (R, n) their values.

        A record's values are copied in one piece, which is many times faster than one by one.
        """
        counts = buffer[starts + self.fixed_bytes]
        order = np.argsort(counts, kind="stable")
        bounds = np.searchsorted(counts[order], np.arange(self.values + 2))
        for count in range(1, self.values + 1):
            places = order[bounds[count] : bounds[count + 1]]
            if len(places):
                pieces = _pieces(buffer, starts[places] + self.fixed_bytes + 1, 5 * count)
                yield places, pieces.view(PAIR).reshape(len(places), count)

    def equal_pairs(self, buffer: Octets, start: int, records: int, count: int) -> Structured:
        """(records, count) view of the values of equally long records that follow one another."""
        length = self.fixed_bytes + 1 + 5 * count
        first = start + self.fixed_bytes + 1
        flat = buffer[first : first + 5 * count].view(PAIR)
        return as_strided(flat, shape=(records, count), strides=(length, PAIR.itemsize), writeable=False)

    def after(self, buffer: Octets, start: int) -> Layout:
        """This layout knowing the date of the sound record at ``start``."""
        if not self.timed:
            return self
        ms, day = (int(self.fixed_parts(buffer, np.array([start]))[name][0]) for name in ("time", "date"))
        return replace(self, day=day, ms=ms, any_date=False) if FIRST_DAY <= day <= LAST_DAY else self

    def cut_short(self, buffer: Octets, start: int) -> bool:
        """Whether what begins at ``start`` is a sound record but for its missing end."""
        fixed_end = start + self.fixed_bytes
        if fixed_end >= len(buffer):
            return len(buffer) - start < self.fixed_bytes + 1
        if start + self.record_bytes(buffer, start) <= len(buffer) or int(buffer[fixed_end]) > self.values:
            return False
        return bool(_fixed_sound(self.fixed_parts(buffer, np.array([start])), self)[0])


def _pieces(buffer: Octets, offsets: Ints, size: int) -> Structured:
    """(R,) copies of ``size`` bytes each at ``offsets``."""
    whole = np.ndarray((len(buffer) - size + 1,), f"V{size}", buffer, strides=(1,))
    return whole[offsets]


def _fixed_sound(fixed: Structured, layout: Layout) -> Flags:
    sound = np.ones(len(fixed), dtype=bool)
    if layout.timed:
        sound &= (fixed["time"] < DAY_MS) | (fixed["time"] == UNKNOWN_TIME)
    if not layout.any_status and "status" in (fixed.dtype.names or ()):
        sound &= (fixed["status"] <= MAX_STATUS) | (fixed["status"] == NO_STATUS)
    return sound


def first_unsound(buffer: Octets, starts: Ints, count: int, layout: Layout) -> int:
    """How many of the records at ``starts`` are sound before the first that is not.

    count : how many values each of them holds, -1 where that differs.

    Records just before the break whose date fits neither their predecessors nor any plausible year belong to
    the damage: out of step, the chain may pass a few records by luck before it meets the impossible.
    """
    if not len(starts):
        return 0
    fixed = layout.fixed_parts(buffer, starts, count)
    sound = _fixed_sound(fixed, layout)
    if count < 0:
        sound &= buffer[starts + layout.fixed_bytes] <= layout.values
    elif count > layout.values:
        return 0
    good = len(starts) if sound.all() else int(sound.argmin())
    good = min(good, _indexes_known(buffer, starts[:good], count, layout))
    if good == len(starts) or not layout.timed:
        return good
    days = fixed["date"][:good].astype(np.int64)
    before = np.append(days[:1] if layout.day is None else layout.day, days[:-1])
    fitting = np.flatnonzero((days >= FIRST_DAY) & (days <= LAST_DAY) & (np.abs(days - before) <= 1))
    return int(fitting[-1]) + 1 if len(fitting) else 0


def _indexes_known(buffer: Octets, starts: Ints, count: int, layout: Layout) -> int:
    """How many records come before the first that names a value which the header does not list."""
    if count == 0 or not len(starts):
        return len(starts)
    if count > 0:
        indexes = layout.equal_pairs(buffer, int(starts[0]), len(starts), count)["index"]
        beyond = (indexes >= layout.values).any(axis=1) if indexes.max() >= layout.values else None
        return len(starts) if beyond is None else int(beyond.argmax())
    first = len(starts)
    for places, pairs in layout.grouped_pairs(buffer, starts):
        beyond = pairs["index"] >= layout.values
        if beyond.any():
            first = min(first, int(places[beyond.any(axis=1).argmax()]))
    return first


def next_sound(buffer: Octets, start: int, layout: Layout) -> int | None:
    """First byte from ``start`` on where sound records begin again; None when there is none.

    Looked for near by with the date of the last sound record, then anywhere with any plausible date from that on.
    """
    if layout.day is not None:
        near = _next_sound(buffer[: start + NEAR_BYTES], start, layout)
        if near is not None:
            return near
    return _next_sound(buffer, start, replace(layout, any_date=True))


def _next_sound(buffer: Octets, start: int, layout: Layout) -> int | None:
    """First byte from ``start`` on where sound records begin again; None when there is none.

    Sound means: the record and those after it keep every rule, and their dates agree with each other and with
    the last sound record before the damage (see ``_follows``).
    """
    tried = 0
    while start + layout.fixed_bytes < len(buffer):
        window = min(WINDOW_BYTES, len(buffer) - layout.fixed_bytes - start)
        for candidate in np.flatnonzero(_may_begin(buffer, start, window, layout)).tolist():
            tried += 1
            if tried > MAX_CANDIDATES:
                return None
            if _follows(buffer, start + candidate, layout):
                return start + candidate
        start += window
    return None


def swallows_next(buffer: Octets, before: list[int], break_at: int, layout: Layout) -> bool:
    """Whether sound records begin inside the last record before ``break_at``, where the chain broke.

    before : starts of the last two records. What begins must not be earlier than the first of the two.

    Where bytes were lost inside a record, it still looks sound: its values may be anything, and it takes the
    missing bytes from the next one. Without a date in the records nothing would tell that from chance.
    """
    if not layout.timed or layout.day is None:
        return False
    last = before[-1]
    candidates = last + 1 + np.flatnonzero(_may_begin(buffer, last + 1, break_at - last - 1, layout))
    earliest = _moment_ms(buffer, before[0], layout) if len(before) > 1 else 0
    return any(
        _moment_ms(buffer, candidate, layout) >= earliest and _follows(buffer, candidate, layout)
        for candidate in candidates.tolist()
    )


def _moment_ms(buffer: Octets, start: int, layout: Layout) -> int:
    """Day and time of the record at ``start`` in milliseconds since 1980."""
    fixed = layout.fixed_parts(buffer, np.array([start]))
    return int(fixed["date"][0]) * DAY_MS + int(fixed["time"][0])


def _may_begin(buffer: Octets, start: int, window: int, layout: Layout) -> Flags:
    window = max(0, min(window, len(buffer) - layout.fixed_bytes - start))
    if not window:
        return np.zeros(0, dtype=bool)
    may = buffer[start + layout.fixed_bytes : start + layout.fixed_bytes + window] <= layout.values
    fixed = (
        as_strided(
            buffer[start : start + layout.fixed_bytes].view(layout.fixed_type),
            shape=(window,),
            strides=(1,),
            writeable=False,
        )
        if layout.fixed_bytes
        else np.zeros(window, layout.fixed_type)
    )
    may &= _fixed_sound(fixed, layout)
    if layout.timed:
        may &= _day_fits(fixed["date"], layout)
    return may


def _day_fits(days: NDArray[np.uint16], layout: Layout) -> Flags:
    if layout.day is None or layout.any_date:
        return (days >= (layout.day or FIRST_DAY)) & (days <= LAST_DAY)
    # Back by one as well: a clock that is set while the log runs.
    return np.abs(days.astype(np.int64) - layout.day) <= 1


def _follows(buffer: Octets, start: int, layout: Layout) -> bool:
    """Whether sound records begin at ``start``, enough of them to be no chance.

    Three in a row on the date before the damage, eight on another. At the exact end of the log two on that date
    will do, or one that follows within minutes.
    """
    position = start
    known = layout
    for found in range(PROOF_ON_ANOTHER_DATE if layout.any_date and layout.day is not None else PROOF):
        if position == len(buffer):
            if not found or layout.day is None or layout.any_date:
                return False
            since_ms = (known.day - layout.day) * DAY_MS + known.ms - layout.ms  # type: ignore[operator]
            return found > 1 or 0 <= since_ms <= SOON_MS
        if position + layout.fixed_bytes >= len(buffer):
            return False
        length = layout.record_bytes(buffer, position)
        if position + length > len(buffer) or not _sound_at(buffer, position, known):
            return False
        known = known.after(buffer, position)
        position += length
    return True


def _sound_at(buffer: Octets, start: int, layout: Layout) -> bool:
    begin = np.array([start])
    if buffer[start + layout.fixed_bytes] > layout.values:
        return False
    fixed = layout.fixed_parts(buffer, begin)
    if not _fixed_sound(fixed, layout)[0]:
        return False
    if layout.timed and not _day_fits(fixed["date"], layout)[0]:
        return False
    return _indexes_known(buffer, begin, -1, layout) == 1
