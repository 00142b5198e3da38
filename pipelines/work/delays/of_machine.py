"""Delays of all days of a machine: kept in ``field_jobs`` as found, drawn together, and rounded for use."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import floor

from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.pipelines.work.delays.lag import SENSORS, Delays, Lag, pool

# What is used is rounded to this step, so that a new day of a machine, which moves the pooled delays of its
# other days by hundredths of a second, does not make their work again. A delay is known to half a second at best.
USED_STEP_S = 0.25


def pooled_delays(found: Mapping[str, tuple[str, Sequence[Delays]]]) -> dict[str, list[Delays]]:
    """Delays of each harvest of each field job, those of one machine drawn together.

    found : machine and delays of each harvest, by job. A harvest that can't tell gets its machine's.
    """
    machines: dict[str, list[tuple[str, Delays]]] = defaultdict(list)
    for job, (machine, harvests) in found.items():
        machines[machine] += [(job, delays) for delays in harvests]
    together: dict[str, list[Delays]] = defaultdict(list)
    for own in machines.values():
        for (job, _), delays in zip(own, pool([delays for _, delays in own]), strict=True):
            together[job].append(delays)
    return dict(together)


def pooled_delays_of(lake: ReadableLake) -> dict[str, list[Delays]]:
    """Pooled delays by the ``field_jobs`` of a lake."""
    rows = lake.scan("field_jobs").select("job", "machine", "harvest", "delays_found").collect()
    found: dict[str, tuple[str, list[Delays]]] = {}
    for job, machine, _, text in rows.sort("machine", "job", "harvest").iter_rows():
        found.setdefault(job, (machine, []))[1].append(delays_from_text(text))
    return pooled_delays(found)


def rounded(delays: Delays) -> Delays:
    """The delays as work is aligned by them."""
    lags = (delays.of(sensor) for sensor in SENSORS)
    return Delays(
        *(
            replace(lag, seconds=USED_STEP_S * floor(lag.seconds / USED_STEP_S + 0.5), error_s=0.0, ways=())
            for lag in lags
        )
    )


def delays_as_text(delays: Delays) -> str:
    """Every number of every sensor, as JSON."""
    lags = [delays.of(sensor) for sensor in SENSORS]
    return json.dumps([[x.seconds, x.error_s, x.estimated, " ".join(x.ways)] for x in lags])


def delays_from_text(text: str) -> Delays:
    """The reverse of ``delays_as_text``; earlier versions wrote more between the flag and the ways."""
    return Delays(*(Lag(one[0], one[1], one[2], tuple(one[-1].split())) for one in json.loads(text)))
