"""How long estimates take, on one core.

    python tests/benchmarks/estimate_speed.py

Prints, for made-up logs at 1 Hz: one field job of five hours with four adjustments, all outcomes, with
its share of the season's noise fit; the two losses against a structural time series of the same field; growth
with hours of log; a season of 200 field jobs; and growth with field jobs, on all cores.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from chaffinch.pipelines.estimate import estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.parallel.fan_out import processors, side_by_side
from chaffinch.pipelines.prove.structural_peer import structural_time_series
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season

LOSSES = ("separation_loss", "cleaning_loss")
SEED = 5
HOURS = (1.0, 2.0, 4.0, 8.0, 16.0)
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "POLARS_MAX_THREADS")


def on_one_core() -> None:
    """Start again with one thread: the engines read these when they are loaded, which has happened."""
    if any(os.environ.get(name) != "1" for name in THREADS):
        os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | dict.fromkeys(THREADS, "1"))


def timed(work: Callable[..., Any], *args: Any) -> tuple[Any, float]:
    """Result and seconds of processor time, which other people's work on the machine does not swell."""
    began = time.process_time()
    result = work(*args)
    return result, time.process_time() - began


def machine_fields(count: int, hours: float = 5.0) -> tuple[list[Binned], float]:
    """Prepared field jobs of a plain season and the mean seconds that preparing one took."""
    season = simulate_season(replace(SCENARIOS["plain"], fields=count, hours=hours), SEED)
    prepared, seconds = [], 0.0
    for made in season.iter():
        adjustments = real_adjustments(made.adjustments.with_row_index("row"))
        (binned, _), took = timed(prepare, made.readings, adjustments)
        prepared.append(binned)
        seconds += took
    return prepared, seconds / count


def losses_alone(binned: Binned) -> Binned:
    return replace(binned, outcomes={name: binned.outcomes[name] for name in LOSSES})


def against_structural(fields: list[Binned]) -> None:
    _, ours = timed(estimate_effects, [losses_alone(b) for b in fields])
    ours /= len(fields)
    theirs = sum(timed(structural_time_series, fields[0], loss)[1] for loss in LOSSES)
    print(
        f"  structural time series, 60 s bins: {theirs:.2f} s, {theirs / ours:.1f} times ours of {ours:.3f} s"
    )


def growth() -> None:
    print("Growth: one field job of so many hours, all outcomes, the noise fitted to it alone")
    took = []
    for hours in HOURS:
        fields, preparing = machine_fields(1, hours)
        _, estimating = timed(estimate_effects, fields)
        took.append((preparing, estimating))
        print(f"  {hours:4.0f} h: prepared in {preparing:6.2f} s, estimated in {estimating:6.2f} s")
    for name, seconds in zip(("preparing", "estimating"), np.array(took).T, strict=True):
        power = np.polyfit(np.log(HOURS), np.log(seconds), 1)[0]
        print(f"  {name} grows as hours to the power {power:.2f}")


def copies(fields: list[Binned], count: int) -> list[Binned]:
    """So many field jobs. On machines of their own: copies of a field are no witnesses of its machine's clock."""
    return [
        replace(
            fields[i % len(fields)],
            field=f"Field {i + 1}",
            machine=f"{fields[i % len(fields)].machine} {i // len(fields) + 1}",
        )
        for i in range(count)
    ]


def season(fields: list[Binned], preparing: float, count: int) -> None:
    effects, estimating = timed(estimate_effects, copies(fields, count))
    print(
        f"Season of {count} field jobs ({len(fields)} different ones, repeated): prepared in "
        f"{preparing * count:.1f} s, estimated in {estimating:.1f} s, {effects.height} rows of effects; "
        f"together {preparing * count + estimating:.1f} s"
    )


def growth_with_jobs(fields: list[Binned], counts: list[int]) -> None:
    """Asked: 200 in at most 40 s on two cores, and at most 1.1 times in proportion from the first count on."""
    print(f"Growth with field jobs, all outcomes, on {processors()} cores")
    first = 0.0
    for count in counts:
        before, began = os.times(), time.perf_counter()
        estimate_effects(copies(fields, count), each=side_by_side)
        seconds, after = time.perf_counter() - began, os.times()
        work = sum(after[:4]) - sum(before[:4])
        first = first or work / count
        print(
            f"  {count:4d}: {seconds:6.1f} s by the clock, {work:6.1f} s of processor time, "
            f"{work / (count * first):.2f} times in proportion to {counts[0]}"
        )


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--fields", type=int, default=16, help="field jobs in the season of the first part")
    asked.add_argument("--season", type=int, default=200, help="field jobs in the last part; 0: none")
    asked.add_argument("--no-growth", action="store_true", help="leave out the hours")
    asked.add_argument(
        "--jobs", type=int, nargs="*", default=[40, 200], help="field jobs of the growth with them"
    )
    options = asked.parse_args()
    on_one_core()
    # The first call compiles and imports; it is not what a night's thousandth field takes.
    estimate_effects(machine_fields(2, 1.0)[0])
    fields, preparing = machine_fields(options.fields)
    _, estimating = timed(estimate_effects, fields)
    each = estimating / len(fields)
    print(f"One field job of 5 h at 1 Hz, four adjustments, in a season of {len(fields)}; processor seconds")
    print(
        f"  prepared in {preparing:.3f} s, all outcomes estimated in {each:.3f} s with its share of the noise"
    )
    against_structural(fields)
    if not options.no_growth:
        growth()
    if options.season:
        season(fields, preparing, options.season)
    if options.jobs:
        growth_with_jobs(fields, options.jobs)
    return 0


if __name__ == "__main__":
    sys.exit(main())
