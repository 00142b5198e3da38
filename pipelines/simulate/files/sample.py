"""The season in ``sample_data``: three machines, two crops, eight fields, effects that are stated, not drawn.

The third machine's logs are task data, as one zip: it is a machine without any preparation.

python -m chaffinch.pipelines.simulate.files.sample sample_data
"""

from __future__ import annotations

import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import polars as pl
from chaffinch.pipelines.simulate.files.inbox_of_season import ZONE, write_season_files
from chaffinch.pipelines.simulate.machine_field import MachineField
from chaffinch.pipelines.simulate.scenario import Effects, FieldPlan, Operator, Scenario
from chaffinch.pipelines.simulate.simulated_season import simulate_season

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
    ((141.3, (("concave_clearance", 1),)),),
    (
        (41.4, (("spreader_speed", 1),)),
        (83.2, (("fan_speed", -1),)),
        (125.7, (("upper_sieve_opening", 1),)),
    ),
    (
        (18.4, (("fan_speed", -1),)),
        (44.9, (("threshing_speed", -1), ("concave_clearance", -1))),
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
    ("lower_sieve_opening", "cleaning", -0.18),
    ("threshing_speed", "separation", -0.20),
    ("threshing_speed", "broken", 0.15),
    ("concave_clearance", "separation", 0.25),
    ("concave_clearance", "broken", -0.10),
    ("side_slope_compensation", "cleaning", -0.20),
    ("chopper_speed", "fuel", 0.06),
    ("spreader_speed", "fuel", 0.0),
    ("feeder_drum_position", "separation", 0.0),
)

_TRIALS = (
    None,
    None,
    FieldPlan("upper_sieve_opening", (0, 1, 1, 0, 0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 0, 0, 1), minutes=6),
    None,
    # The work of the last day ends half way through its steps.
    FieldPlan(
        "lower_sieve_opening",
        (1, 0, 0, 1, 0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 1, 0),
        minutes=10,
        lead_minutes=70.0,
    ),
    None,
)
"""The planned trials of the six fields: one finished, one half-way."""

SAMPLE = Scenario(
    "sample",
    "Two machines, wheat and barley: two trials, one strong effect with repeat, two joint changes.",
    fields=6,
    hours=2.75,
    machines=2,
    crops=("wheat", "barley", "wheat", "wheat", "barley", "barley"),
    operator=Operator(script=_SCRIPT, trials=_TRIALS),
    effects=Effects(stated=_STATED, between_fields_sd=0.03),
)

_CARD_SCRIPTS = {
    8: ((41.4, (("fan_speed", -1),)), (90.3, (("upper_sieve_opening", 1),))),
    14: ((54.6, (("concave_clearance", 1),)), (108.9, (("fan_speed", -1),))),
}
"""Machine-fields of ``CARD`` that are written; of six machines they are the third's, on the last two days."""

CARD = Scenario(
    "sample card",
    "The third machine of the sample: task data, set values in the log.",
    fields=15,
    hours=2.25,
    machines=6,
    crops=("wheat",),
    operator=Operator(script=tuple(_CARD_SCRIPTS.get(index, ()) for index in range(15))),
    effects=Effects(stated=_STATED, between_fields_sd=0.03),
)
_ZIP_MOMENT = (2026, 7, 23, 12, 0, 0)


def write_sample(out: Path) -> dict[str, Any]:
    """Write the sample season to ``out/inbox`` and ``out/truth.csv``; see ``write_season_files``."""
    summary = write_season_files(out, SAMPLE, SEED, compress=True, spoil=True)
    season = simulate_season(CARD, SEED)
    card = [season.machine_field(index) for index in _CARD_SCRIPTS]
    _write_card(out / "inbox" / "combine_c" / "taskdata_2026-07.zip", card)
    truth = pl.concat(field.truth for field in card).with_columns(pl.col(pl.Float64).round(4))
    text = truth.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ", include_header=False)
    with (out / "truth.csv").open("ab") as file:
        file.write(text.encode())
    return summary | {
        "machines": summary["machines"] + 1,
        "machine_fields": summary["machine_fields"] + len(card),
        "readings": summary["readings"] + sum(field.readings.height for field in card),
        "adjustments": summary["adjustments"] + sum(field.adjustments.height for field in card),
        "files": summary["files"] + 1,
    }


def _write_card(archive: Path, fields: list[MachineField]) -> None:
    """One task set with a task a field, zipped as a terminal's card would be."""
    from chaffinch.pipelines.simulate.task_data.writer import write_task_data

    boundaries = {field.field: field.boundary_wkt for field in fields}
    changes = pl.concat(field.adjustments for field in fields)
    archive.parent.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(archive, "w") as packed:
        for path in write_task_data(Path(folder), [f.readings for f in fields], changes, boundaries, ZONE):
            entry = zipfile.ZipInfo(f"TASKDATA/{path.name}", _ZIP_MOMENT)
            packed.writestr(entry, path.read_bytes(), zipfile.ZIP_DEFLATED, 9)


if __name__ == "__main__":
    print(write_sample(Path(sys.argv[1] if len(sys.argv) > 1 else "sample_data")))
