"""Settings now in force that raise the loss of a machine: what calls for attention, most money first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from chaffinch.dashboards.words.confidence import confidence
from chaffinch.dashboards.words.instruction import instruction_for, trial_to_be_sure
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.money import saved_in_words, saving_of
from chaffinch.dashboards.words.settings_now import SettingLine
from chaffinch.dashboards.words.terms import NARROW, signed
from chaffinch.dashboards.words.trial_words import setting_trials
from chaffinch.pipelines.estimate.responses.best_value import best_values
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion


@dataclass(frozen=True, slots=True)
class Costly:
    """A setting in force, what it costs in a sentence, and what to do."""

    machine: str
    crop: str | None
    line: SettingLine
    sentence: str
    do: str


def settings_that_cost(
    all_tables: dict[str, pl.DataFrame],
    farm: Farm,
    suggested: Sequence[Suggestion],
    lines: Sequence[MachineLines],
) -> list[Costly]:
    """Settings whose last value likely raised the machine's loss, or one loss where no other likely fell.

    all_tables : effects, responses, trials. suggested : trials that would pay. lines : of all machines. Of each
    machine and crop the whole way to the value now in force counts; what was undone is not among them.
    """
    found = []
    trials = setting_trials(all_tables, suggested, farm)
    for one in lines:
        here = pl.col("crop").eq_missing(pl.lit(one.crop, pl.String))
        best = best_values(all_tables["responses"].filter(here, pl.col("machine") == one.machine))
        for line, curve in zip(one.lines, one.curves, strict=True):
            worst = None if line.undone else line.raised
            if worst is None:
                continue
            saved = saving_of(line.outcome("machine_loss"), curve, one.crop, farm)
            money = f"; {saved_in_words(saved, one.crop, farm)}" if saved else ""
            size = f"{signed(worst.percent or 0.0)}{NARROW}%, {confidence(worst.chance_less or 0.0).text}"
            planned = trials.get((one.machine, one.crop), {})
            sure = trial_to_be_sure(line, planned)
            sentence = " ".join(filter(None, (f"{line.title}: {worst.words} {size}{money}.", sure)))
            cost = saved.per_ha if saved else 0.0
            now = instruction_for([line], best, planned)
            costly = Costly(one.machine, one.crop, line, sentence, now.do if now else "")
            found.append((cost, -(worst.log_ratio or 0.0), costly))
    return [one for *_, one in sorted(found, key=lambda f: (f[0], f[1], f[2].machine, f[2].sentence))]
