"""Commands for trials: plan, status, suggest."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import Debug, Json, LakeAt, give

trials_app = typer.Typer(
    help="Design a comparison of settings, say how far it is, rank what is worth trying.",
    no_args_is_help=True,
    rich_markup_mode=None,
    epilog="Example: chaffinch trial plan --lake lake --machine 'Combine A' --setting fan_speed "
    "--values 1000,1050 --out trial.html",
)
app.add_typer(trials_app, name="trial")


@trials_app.command(epilog="Example: chaffinch trial status --lake lake")
def status(
    lake: LakeAt,
    trial: Annotated[str | None, typer.Option("--trial", metavar="NAME", help="Only this trial.")] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Show how far each trial is and whether it has told enough.

    Ranges hold at every look: looking every night costs nothing in false calls.
    """
    from chaffinch.dashboards.words.trial_words import standing_sentences
    from chaffinch.pipelines.errors import CallError, did_you_mean
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.trials.answers.standing import standings

    opened = Lake.open(lake, must_exist=True)
    machines = opened.machine_fields()["machine"].unique().sort().to_list()
    found = standings(opened.scan("trials").collect(), opened.scan("effects").collect(), machines)
    if trial is not None:
        names = [one.name for one in found]
        found = [one for one in found if one.name == trial]
        if not found:
            known = f" Trials are {', '.join(names)}." if names else " It holds no trials."
            raise CallError(f"The lake has no trial '{trial}'{did_you_mean(trial, names)}.{known}")
    sentences = [sentence for one in found for sentence in standing_sentences(one)]
    if not found:
        sentences = [
            "The lake holds no trials. Plan one with: chaffinch trial plan --help; then put its trial.toml into the "
            "inbox."
        ]
    elif not opened.is_fresh():
        sentences.append(
            "Files came since effects were estimated; refresh them with: chaffinch estimate --lake LAKE"
        )
    give(sentences, {"trials": [_as_json(one) for one in found]}, as_json)
    return 0


def _as_json(one: Any) -> dict[str, Any]:
    """The contract's entries, and what else programs may want to know."""
    main = one.main
    low, high = main.anytime_range if main else (None, None)
    return {
        "name": one.name,
        "machine": one.machine,
        "crop": one.crop,
        "settings": list(one.settings),
        "status": one.status,
        "steps": len(one.steps),
        **one.counts,
        "percent": main.percent if main else None,
        "percent_low": low,
        "percent_high": high,
        "state": one.state,
        "switches_left": one.switches_left,
        "comparisons": [
            {
                "setting": each.setting,
                "from_value": each.from_value,
                "to_value": each.to_value,
                "unit": each.unit,
                "outcome": each.outcome,
                "percent": each.percent,
                "percent_low": each.anytime_range[0],
                "percent_high": each.anytime_range[1],
                "percent_fixed_low": each.percent_range[0],
                "percent_fixed_high": each.percent_range[1],
                "se_log": each.variance**0.5,
                "chance_less": each.chance_less,
                "kg_ha": each.absolute,
                "capacity_percent": each.capacity,
                "shared_percent": each.shared,
                "state": each.outlook.state,
            }
            for each in one.comparisons
        ],
        "began": one.began,
        "ended": one.ended,
        "fields": list(one.fields),
        "remarks": list(one.sentences),
    }
