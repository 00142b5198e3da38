"""Two files with readings of one machine at the same moments: a correction under another name."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.schemas.declarations import channels
from chaffinch.schemas.tables import tables

# Two logs of one machine that hold so many of each other's moments are two accounts of the same work.
SAME_SHARE = 0.5
MOST_SENTENCES = 8


def files_covered_twice(lake: ReadableLake, new: set[str], uri: str) -> tuple[str, ...]:
    """A sentence for each of the ``new`` deliveries and each other one that holds the same moments of a machine.

    uri : of the lake, for the command that settles it. Effects count each moment once, whichever file it is of.
    """
    ledger = lake.ledger().filter(pl.col("rows_stored").str.contains('"readings"', literal=True))
    rows = ledger.select("delivery", "name", "machines", "first_time", "last_time", "taken_in_at").to_dicts()
    found: list[str] = []
    for later, earlier in pairs_of_one_time(rows, new):
        sentence = _sentence(lake, later, earlier, uri)
        found += [sentence] if sentence else []
        if len(found) >= MOST_SENTENCES:
            break
    return tuple(found)


def pairs_of_one_time(
    rows: list[dict[str, Any]], new: set[str]
) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """The later and the earlier of two deliveries, one of them new, whose spans of time on a machine overlap."""
    seen: set[tuple[str, str]] = set()
    by_begin = sorted(rows, key=lambda row: row["first_time"])
    for machine in sorted({machine for row in rows for machine in row["machines"]}):
        own = [row for row in by_begin if machine in row["machines"]]
        for place, one in enumerate(own):
            for other in own[place + 1 :]:
                if other["first_time"] > one["last_time"]:
                    break
                earlier, later = sorted((one, other), key=lambda row: (row["taken_in_at"], row["name"]))
                pair = later["delivery"], earlier["delivery"]
                if pair not in seen and set(pair) & new:
                    seen.add(pair)
                    yield later, earlier


def _sentence(lake: ReadableLake, later: dict[str, Any], earlier: dict[str, Any], uri: str) -> str | None:
    both = (later["delivery"], earlier["delivery"])
    measured = [name for name in channels() if name in tables()["readings"].polars_schema()]
    readings = (
        lake.scan("readings")
        .filter(pl.col("delivery").is_in(both))
        .unique(["delivery", "machine", "time"], keep="first", maintain_order=True)
        .select("delivery", "machine", "time", *measured)
        .collect()
    )
    moments = readings.select("delivery", "machine", "time")
    of = {delivery: moments.filter(delivery=delivery).drop("delivery") for delivery in both}
    shared = of[both[0]].join(of[both[1]], on=["machine", "time"], how="semi")
    fewest = min(frame.height for frame in of.values())
    one, other = (readings.filter(delivery=delivery) for delivery in both)
    differing = _differing(one, other, measured)
    if not fewest or (shared.height < SAME_SHARE * fewest and not differing):
        return None
    machines = ", ".join(f"'{name}'" for name in sorted(shared["machine"].unique()))
    more = of[both[0]].height - shared.height
    grown = shared.height == of[both[1]].height and more > 0
    what = f"holds all readings of {earlier['name']} again, and {more:,} more" if grown else (
        f"and {earlier['name']} hold readings of {machines} at the same {counted(shared.height, 'moment')}"
    )  # fmt: skip
    command = f"chaffinch retract {shlex.quote(earlier['name'])} --lake {shlex.quote(uri)}"
    first = min(later["name"], earlier["name"])
    rule = (
        f", {differing:,} of them with other values: those of {first} count, as its name comes first"
        if differing
        else ""
    )
    return (
        f"{later['name']} {what}{rule}; each moment counts once. If {later['name']} is the right one, take the other "
        f"out: {command}. If they are two machines, name each in farm.toml."
    )


def _differing(one: pl.DataFrame, other: pl.DataFrame, measured: Sequence[str]) -> int:
    """At how many moments of a machine both have a value of the same channel, and not the same one."""
    both = one.join(other, on=["machine", "time"], suffix=" other")
    differs = [(pl.col(name) != pl.col(f"{name} other")).fill_null(False) for name in measured]
    return both.select(pl.any_horizontal(differs).sum()).item()
