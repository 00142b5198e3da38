"""Trials that were planned or driven, as advice has to know them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.trials.answers.anytime import ENOUGH, GO_ON
from chaffinch.pipelines.trials.answers.standing import Standing
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion

MachineSetting = tuple[str, str | None, str]
"""Machine, crop and setting."""
NOT_STARTED, UNDER_WAY, SETTLED, UNSETTLED = "planned", "under way", "settled", "unsettled"


@dataclass(frozen=True, slots=True)
class BegunTrial:
    """The trial of a setting that says most of it: one under way, else a plan, else the last one that ended.

    kind : how it stands; one under way is driven on and open, so that nothing else is advised meanwhile. words : the
    same for people. values : those compared.
    """

    kind: str
    words: str
    values: tuple[str, ...]

    def forbids(self, suggested: Suggestion) -> bool:
        """Whether a trial of the setting is not worth suggesting, since one is to be driven or has answered."""
        answered = self.kind == SETTLED and f"{suggested.value:g}" in self.values
        return answered or self.kind in (NOT_STARTED, UNDER_WAY)


def begun_trials(found: Sequence[Standing]) -> dict[MachineSetting, BegunTrial]:
    """By machine, crop and setting. found : of ``standings``, in their order."""
    rank = {"running": 0, "planned": 1}
    ordered = sorted(found, key=lambda one: rank.get(one.status, 2))
    return {
        (one.machine, one.crop, setting): BegunTrial(*_how(one), one.values_of(setting))
        for one in reversed(ordered)
        for setting in one.settings
    }


def _how(one: Standing) -> tuple[str, str]:
    running = one.status == "running"
    if one.status == "planned":
        return NOT_STARTED, "planned, not started"
    if one.state == ENOUGH:
        return SETTLED, "settled; it can stop" if running else "settled by a trial"
    if running and one.state == GO_ON:
        more = counted(one.switches_left, "more switch", "more switches")
        return UNDER_WAY, f"under way: {more} should settle it"
    how = {"running": "under way, but its plan will not settle it", "abandoned": "begun, not finished"}
    return UNSETTLED, how.get(one.status, "tried, not settled")


def worth_suggesting(
    suggested: Sequence[Suggestion], begun: Mapping[MachineSetting, BegunTrial]
) -> list[Suggestion]:
    """Those of ``suggested`` that no trial planned, under way or settled makes needless."""
    known = [(one, begun.get((one.machine, one.crop, one.setting))) for one in suggested]
    return [one for one, trial in known if trial is None or not trial.forbids(one)]
