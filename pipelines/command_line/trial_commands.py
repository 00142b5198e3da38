"""Commands for trials: plan, status, suggest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import Debug, Json, LakeAt, give, lake_at

if TYPE_CHECKING:
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.trials.answers.standing import Standing

trials_app = typer.Typer(
    help="Plan a comparison of settings, show its progress, rank what is worth trying.",
    no_args_is_help=True,
    rich_markup_mode=None,
    epilog="Example: chaffinch trial plan --lake lake --machine 'Combine A' --setting fan_speed "
    "--values 1000,1050 --out trial.html",
)
app.add_typer(trials_app, name="trial")


@trials_app.command(
    epilog="Example: chaffinch trial plan --lake lake --machine 'Combine A' --setting fan_speed "
    "--values 1000,1050 --hours 3 --out trial.html"
)
def plan(
    lake: LakeAt,
    machine: Annotated[str, typer.Option("--machine", metavar="M", help="The machine, as logs name it.")],
    setting: Annotated[
        list[str],
        typer.Option("--setting", metavar="S", help="What is compared; twice for two settings at once."),
    ],
    values: Annotated[
        list[str],
        typer.Option(
            "--values",
            metavar="A,B",
            help="Two or three values, with commas between; once for each setting. Numbers in the catalogue's unit.",
        ),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The cab card; ends in .html.")],
    crop: Annotated[str | None, typer.Option("--crop", help="The crop; by default the one cut last.")] = None,
    tell: Annotated[
        float, typer.Option("--tell", min=1, max=90, help="Change of loss, %, that the trial should detect.")
    ] = 15.0,
    hours: Annotated[
        float, typer.Option("--hours", min=0.2, max=40, help="Hours of work by the clock.")
    ] = 3.0,
    checks: Annotated[int, typer.Option("--checks", min=0, max=12, help="Loss checks with pans.")] = 0,
    passes: Annotated[
        bool, typer.Option("--passes", help="Steps of whole passes instead of minutes.")
    ] = False,
    seed: Annotated[
        int | None,
        typer.Option("--seed", min=0, help="Seed of the random order; drawn where none is given."),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="Name of the trial.")] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Design a comparison of two or three values, or of two settings, and write its cab card.

    The plan, trial.toml, is written next to the card: put it into the inbox, so that each night matches it with the
    log.
    """
    import math
    import secrets

    from chaffinch.dashboards.pages.trial_card import card_notes, fields_sentence, known_sentence, trial_card
    from chaffinch.pipelines.atomic_write import write_whole
    from chaffinch.pipelines.lake.table_files import require_ending
    from chaffinch.pipelines.trials.design.planned_trial import TrialRequest, plan_trial
    from chaffinch.pipelines.trials.design.precision import detectable_percent
    from chaffinch.pipelines.trials.written.trial_plan import as_toml

    require_ending(out, (".html",))
    opened = lake_at(lake)
    farm = opened.farm()
    request = TrialRequest(
        machine,
        tuple(setting),
        tuple(tuple(one.strip() for one in each.split(",") if one.strip()) for each in values),
        crop,
        tell,
        hours,
        passes,
        secrets.randbelow(10_000) if seed is None else seed,
        name,
    )
    planned = plan_trial(opened, farm, request)
    text = as_toml(planned.plan)
    toml = _plan_path(out, text)
    write_whole(toml, text.encode())
    write_whole(out, trial_card(planned, farm, checks, toml.name))
    design, notes = planned.design, card_notes(planned, farm)
    error = planned.with_signals(design.se_log)
    sentences = [
        f"{planned.plan.name}: {design.switches} switches in {design.hours:.1f} h detect a change of "
        f"{math.ceil(design.smallest_percent)} % (standard error {design.se_log:.3f}, log scale), or of "
        f"{math.ceil(detectable_percent(error))} % with what the loss signals leave open ({error:.3f}). "
        f"{planned.basis.sentence}",
        *(said for said in (fields_sentence(planned), known_sentence(planned)) if said),
        *notes,
        f"Cab card: {out}",
        f"Plan (put it into the inbox): {toml}",
    ]
    give(sentences, _plan_as_json(planned, notes, out, toml), as_json)
    return 0


def _plan_path(out: Path, text: str) -> Path:
    """``trial.toml`` next to the card; named like the card where that is another trial's plan."""
    plan_file = out.with_name("trial.toml")
    taken = plan_file.exists() and plan_file.read_bytes() != text.encode()
    return out.with_suffix(".trial.toml") if taken else plan_file


def _plan_as_json(planned: Any, notes: list[str], out: Path, toml: Path) -> dict[str, Any]:
    from chaffinch.pipelines.trials.design.precision import detectable_percent

    written, design = planned.plan, planned.design
    second = {"second_setting": written.second_setting, "second_values": list(written.second_values)}
    return {
        "name": written.name,
        "machine": written.machine,
        "crop": written.crop,
        "setting": written.setting,
        "unit": written.unit,
        "values": list(written.values),
        **(second if written.second_setting else {}),
        "hours": design.hours,
        "switches": design.switches,
        "seed": written.seed,
        "se_log": planned.with_signals(design.se_log),
        "se_log_of_fields": planned.se_of_fields
        and [planned.with_signals(se) for se in planned.se_of_fields],
        "se_of_switches_log": design.se_log,
        "se_of_signals_log": planned.open_log,
        "smallest_percent": detectable_percent(planned.with_signals(design.se_log)),
        "smallest_percent_of_switches": design.smallest_percent,
        "se_with_known": planned.se_with_known,
        "known_percent": planned.known_percent,
        "outcome": planned.basis.outcome,
        "basis": planned.basis.sentence,
        "steps": [step.model_dump(exclude_none=True) for step in written.steps],
        "notes": notes,
        "card": str(out),
        "plan": str(toml),
    }


@trials_app.command(epilog="Example: chaffinch trial suggest --lake lake --machine 'Combine A'")
def suggest(
    lake: LakeAt,
    machine: Annotated[str | None, typer.Option("--machine", metavar="M", help="Only this machine.")] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Rank trials by what they are expected to save: chance of a better value times the saving over a year's area."""
    from dataclasses import asdict

    from chaffinch.dashboards.words.trial_words import nothing_to_suggest, suggestion_sentence
    from chaffinch.pipelines.trials.answers.worth_trying import suggestions
    from chaffinch.pipelines.trials.design.planned_trial import binned_fields
    from chaffinch.pipelines.trials.design.values_run import known_machine

    opened = lake_at(lake)
    farm = opened.farm()
    wanted = known_machine(opened, machine, farm.machine_aliases()) if machine is not None else None
    responses = opened.scan("responses").collect()
    found = suggestions(responses, binned_fields(opened, farm), farm, wanted) if responses.height else []
    sentences = [f"{n}. {suggestion_sentence(one, farm)}" for n, one in enumerate(found, 1)]
    give(sentences or [nothing_to_suggest(wanted)], {"suggestions": [asdict(one) for one in found]}, as_json)
    return 0


@trials_app.command(epilog="Example: chaffinch trial status --lake lake")
def status(
    lake: LakeAt,
    trial: Annotated[str | None, typer.Option("--trial", metavar="NAME", help="Only this trial.")] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Show the progress of each trial and whether it is settled.

    Ranges hold at every look: checking every night causes no more false calls. They
    are narrowest when the plan is over.
    """
    from chaffinch.dashboards.words.trial_words import standing_sentences
    from chaffinch.pipelines.errors import CallError, did_you_mean
    from chaffinch.pipelines.trials.answers.standing import standings

    opened = lake_at(lake)
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
            "Files were ingested after effects were estimated; refresh them with: chaffinch estimate --lake LAKE"
        )
    # The test reads the bins of the machine, so it is made only where it is shown.
    summary = {"trials": [_as_json(one) | _tested(opened, one) for one in found]} if as_json else {}
    give(sentences, summary, as_json)
    return 0


def _tested(lake: Lake, one: Standing) -> dict[str, Any]:
    """The randomisation test of the main comparison, and all of a trial of two settings."""
    from chaffinch.pipelines.trials.answers.blocks_driven import randomisation_of

    tests = randomisation_of(lake, one)
    if not tests:
        return {"randomisation_p": None, "blocks": 0, "blocks_agreeing": 0}
    main, *others = tests
    found: dict[str, Any] = {
        "randomisation_p": main.p,
        "blocks": len(main.blocks),
        "blocks_agreeing": main.agreeing,
    }
    if others:
        found["randomisation_p_of_each"] = [test.p for test in tests]
    return found


def _as_json(one: Standing) -> dict[str, Any]:
    """A trial as one JSON object: the main comparison at the top level, all of them in ``comparisons``."""
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
        "interaction": None
        if one.interaction is None
        else {
            "percent": one.interaction.percent,
            "percent_low": one.interaction.anytime_range[0],
            "percent_high": one.interaction.anytime_range[1],
            "se_log": one.interaction.variance**0.5,
        },
        "began": one.began,
        "ended": one.ended,
        "fields": list(one.fields),
        "remarks": list(one.sentences),
    }
