"""Where the records of a time log begin: each can only be found through the number of values of the one before.

Three ways lead along this chain. Stretches of records with equal numbers are one strided view. Records of one day are
found by that day, and count where each leads to the next. Else every byte of a block gets an edge to where the next
record would begin if one began here, and one graph search collects the chain.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from chaffinch.pipelines.array_types import Array, Ints, Octets, RawInts
from chaffinch.pipelines.ingest.task_data.records.resync import Layout

RUN_RECORDS = 256
BLOCK_BYTES = 2**20
MOST_BREAKS = 256


def chain_from(buffer: Octets, position: int, layout: Layout, block: int) -> tuple[Ints, int]:
    """Starts of the records that follow one another from ``position``, whole ones only, about a block.

    Second: the number of values each holds where all hold as many, else -1.
    """
    count_at = position + layout.fixed_bytes
    if count_at >= len(buffer):
        return np.empty(0, np.int64), -1
    count = int(buffer[count_at])
    length = layout.fixed_bytes + 1 + 5 * count
    run = _run_length(buffer[count_at::length], count, 4 * BLOCK_BYTES // length + 1)
    run = min(run, (len(buffer) - position) // length)
    if run >= RUN_RECORDS:
        return position + length * np.arange(run, dtype=np.int64), count
    starts = _of_one_day(buffer, position, layout, block)
    if starts is None:
        starts = _search(buffer, position, layout, block)
    last = int(starts[-1])
    return (starts if last + layout.record_bytes(buffer, last) <= len(buffer) else starts[:-1]), -1


def _run_length(counts: Octets, count: int, most: int) -> int:
    """How many of ``counts`` equal ``count`` before the first that does not, looked at in growing windows."""
    found, window = 0, 64
    while found < len(counts) and found < most:
        part = counts[found : found + window] != count
        if part.any():
            return found + int(part.argmax())
        found += len(part)
        window *= 8
    return min(found, most)


def _of_one_day(buffer: Octets, position: int, layout: Layout, block: int) -> Ints | None:
    """The chain through one block as far as its records are of the day of the one before; None where that is no way.

    Hardly a byte but the beginning of a record is followed by that day. Where each of these places leads to the next
    one, they are the chain; a few others among them are left out by following the links between the places.
    """
    if layout.day is None or "date" not in (layout.fixed_type.names or ()):
        return None
    counts = buffer[position + layout.fixed_bytes : position + layout.fixed_bytes + block]
    at = position + int(layout.fixed_type.fields["date"][1])  # type: ignore[index]
    low, high = (buffer[at + byte : at + byte + len(counts)] for byte in (0, 1))
    places = np.flatnonzero((low == layout.day % 256) & (high == layout.day // 256))
    if not len(places) or places[0] != 0 or len(places) > len(counts) // (layout.fixed_bytes + 1):
        return None
    following = places + counts[places].astype(np.int64) * 5 + layout.fixed_bytes + 1
    leads_on = following[:-1] == places[1:]
    # Only the places where a stretch of links ends are looked at one by one.
    breaks = np.flatnonzero(~leads_on)
    if len(breaks) > MOST_BREAKS:
        return None
    stretches, place = [], 0
    while True:
        at_break = int(np.searchsorted(breaks, place))
        stop = int(breaks[at_break]) if at_break < len(breaks) else len(places) - 1
        stretches.append(places[place : stop + 1])
        place = int(np.searchsorted(places, following[stop]))
        if place == len(places) or places[place] != following[stop]:
            return position + np.concatenate(stretches)


def _search(buffer: Octets, position: int, layout: Layout, block: int) -> Ints:
    """The chain of starts through one block of bytes by a graph search (one edge leads out of every byte)."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order

    counts = buffer[position + layout.fixed_bytes : position + layout.fixed_bytes + block]
    nodes = len(counts)
    following = counts.astype(np.int32)
    following *= 5
    following += np.arange(layout.fixed_bytes + 1, layout.fixed_bytes + 1 + nodes, dtype=np.int32)
    np.minimum(following, nodes, out=following)
    ones, edges = _one_edge_each(nodes)
    graph = csr_array((ones, following, edges), shape=(nodes + 1, nodes + 1))
    chain = breadth_first_order(graph, 0, return_predecessors=False)
    return chain[:-1].astype(np.int64) + position


@lru_cache(maxsize=2)
def _one_edge_each(nodes: int) -> tuple[Array, RawInts]:
    """Weights and row bounds of a graph in which one edge leads out of every node but the last."""
    edges = np.arange(nodes + 2, dtype=np.int32)
    edges[-1] = nodes
    return np.ones(nodes), edges
