"""The season in ``sample_data``: two machines, two crops, six fields, effects that are stated, not drawn.

python -m chaffinch.pipelines.simulate.sample sample_data
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from chaffinch.pipelines.simulate.files import write_season_files
from chaffinch.pipelines.simulate.scenario import Effects, Operator, Scenario

SEED = 7

_SCRIPT = (
    (
        (41.4, (("rotor_speed", 2),)),
        (83.2, (("rotor_speed", -2),)),
        (125.7, (("rotor_speed", 2),)),
    ),
    (
        (52.3, (("fan_speed", -1), ("upper_sieve_opening", 1))),
        (111.5, (("chopper_speed", 1),)),
    ),
    (
        (54.6, (("upper_sieve_opening", 1),)),
        (108.9, (("concave_clearance", 1),)),
    ),
    (
        (41.4, (("spreader_speed", 1),)),
        (83.2, (("fan_speed", -1),)),
        (125.7, (("upper_sieve_opening", 1),)),
    ),
    (
        (54.6, (("fan_speed", -1),)),
        (108.9, (("threshing_speed", -1), ("concave_clearance", -1))),
    ),
    (
        (54.6, (("side_slope_compensation", 1),)),
        (111.5, (("feeder_drum_position", 1),)),
    ),
)

_STATED = (
    ("rotor_speed", "separation", -0.40),
    ("fan_speed", "cleaning", 0.30),
    ("upper_sieve_opening", "cleaning", -0.35),
    ("upper_sieve_opening", "returns", -0.15),
    ("threshing_speed", "separation", -0.20),
    ("threshing_speed", "broken", 0.15),
    ("concave_clearance", "separation", 0.25),
    ("concave_clearance", "broken", -0.10),
    ("side_slope_compensation", "cleaning", -0.20),
    ("chopper_speed", "fuel", 0.06),
    ("spreader_speed", "fuel", 0.0),
    ("feeder_drum_position", "separation", 0.0),
)

SAMPLE = Scenario(
    "sample",
    "Two machines, wheat and barley, one strong effect with repeat, two joint changes, some without effect.",
    fields=6,
    hours=2.75,
    machines=2,
    crops=("wheat", "barley", "wheat", "wheat", "barley", "barley"),
    operator=Operator(script=_SCRIPT),
    effects=Effects(stated=_STATED, between_fields_sd=0.03),
)


def write_sample(out: Path) -> dict[str, Any]:
    """Write the sample season to ``out/inbox`` and ``out/truth.csv``; see ``write_season_files``."""
    return write_season_files(out, SAMPLE, SEED, compress=True, spoil=True)


if __name__ == "__main__":
    print(write_sample(Path(sys.argv[1] if len(sys.argv) > 1 else "sample_data")))
