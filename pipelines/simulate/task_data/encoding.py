"""A time log written: header to XML, records to bytes; the inverse of ``log_header`` and ``log_binary``."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import quoteattr

import numpy as np
from chaffinch.pipelines.ingest.task_data.records.log_header import POSITION_FIELDS, LogHeader
from chaffinch.pipelines.ingest.task_data.records.resync import PAIR
from numpy.typing import NDArray

DECLARATION = '<?xml version="1.0" encoding="UTF-8"?>\n'


def header_xml(header: LogHeader) -> str:
    """The XML of a header whose fields stand in the order of the standard."""
    start = "" if header.timed else (header.start.isoformat() if header.start else None)
    constants = header.constants or {}
    position = []
    for letter, name, _ in POSITION_FIELDS:
        if name in header.fields:
            position.append(f' {letter}=""')
        elif name in constants:
            position.append(f' {letter}="{constants[name]:.10g}"')
    lines = [f'<TIM{"" if start is None else f" A={quoteattr(start)}"} D="4">']
    if position:
        lines.append(f"<PTN{''.join(position)}/>")
    for value in header.values:
        number = "" if value.identifier is None else f"{value.identifier:04X}"
        constant = "" if value.constant is None else str(value.constant)
        signal = "" if value.signal is None else ' D="{}" E="{}" F="{}"'.format(*value.signal)
        lines.append(f'<DLV A="{number}" B="{constant}" C={quoteattr(value.element)}{signal}/>')
    return DECLARATION + "\n".join([*lines, "</TIM>"]) + "\n"


def encode(
    header: LogHeader,
    fixed: NDArray[np.void],
    columns: Sequence[tuple[NDArray[np.int64], NDArray[np.int32]]],
) -> bytes:
    """The binary of R records: their fixed parts, and for each value of the header (rows, raw).

    Values stand in their record in the order of the header.
    """
    layout, count = fixed.dtype.itemsize, len(fixed)
    rows = np.concatenate([np.empty(0, np.int64), *(rows for rows, _ in columns)])
    pairs = np.empty(len(rows), PAIR)
    pairs["index"] = np.repeat(np.arange(len(columns)), [len(rows) for rows, _ in columns])
    pairs["value"] = np.concatenate([np.empty(0, np.int32), *(raw for _, raw in columns)])
    order = np.argsort(rows, kind="stable")
    rows, pairs = rows[order], pairs[order]
    counts = np.bincount(rows, minlength=count)
    sizes = layout + 1 + 5 * counts
    starts = np.cumsum(sizes) - sizes
    out = np.empty(int(sizes.sum()), np.uint8)
    if layout:
        out[starts[:, None] + np.arange(layout)] = (
            np.ascontiguousarray(fixed).view(np.uint8).reshape(count, layout)
        )
    out[starts + layout] = counts
    within = np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts)
    offsets = starts[rows] + layout + 1 + 5 * within
    out[offsets[:, None] + np.arange(5)] = pairs.view(np.uint8).reshape(-1, 5)
    return out.tobytes()
