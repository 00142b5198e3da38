"""What a trial would detect with more or fewer switches and hours: a small drawing that needs no script."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape

import numpy as np
from chaffinch.pipelines.trials.design.planning import TrialDesign, TrialTask, designs

WIDTH, HEIGHT = 440, 270
LEFT, RIGHT, TOP, BOTTOM = 46, 56, 12, 44
SHARES = (0.5, 1.0, 2.0)


@dataclass(frozen=True, slots=True)
class PowerLine:
    """Switches and smallest effect detected, %, of trials of one length."""

    hours: float
    switches: tuple[int, ...]
    percents: tuple[float, ...]


def power_lines(task: TrialTask, possible: Sequence[TrialDesign]) -> list[PowerLine]:
    """Lines of half the length, the length, and twice the length of a trial. possible : the designs of its length."""
    lines = []
    for share in SHARES:
        found = possible if share == 1 else designs(replace(task, hours=task.hours * share))
        if found:
            best = _falling(found)
            lines.append(
                PowerLine(
                    task.hours * share,
                    tuple(one.switches for one in best),
                    tuple(one.smallest_percent for one in best),
                )
            )
    return lines


def _falling(found: Sequence[TrialDesign]) -> list[TrialDesign]:
    """Designs in order of their switches; of those with as many, the most precise one."""
    by_switches: dict[int, TrialDesign] = {}
    for one in found:
        kept = by_switches.get(one.switches)
        if kept is None or one.se_log < kept.se_log:
            by_switches[one.switches] = one
    return [by_switches[n] for n in sorted(by_switches)]


def power_drawing(
    task: TrialTask, possible: Sequence[TrialDesign], chosen: TrialDesign, tell_percent: float
) -> str:
    """The lines as SVG: smallest effect detected with 80 % power against switches, the chosen plan marked."""
    lines = power_lines(task, possible)
    most = max([n for line in lines for n in line.switches] + [chosen.switches, 8])
    top = 5 * np.ceil(min(60.0, max([p for line in lines for p in line.percents] + [tell_percent * 1.2])) / 5)

    def x(switches: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * switches / most

    def y(percent: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (1 - min(percent, top) / top)

    parts = [
        f'<svg class="power" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="Smallest change '
        'detected against the number of switches, by hours">'
    ]
    for percent in np.arange(0, top + 1, 5 if top <= 30 else 10):
        parts.append(f'<path class="grid" d="M{LEFT} {y(percent):.1f}H{WIDTH - RIGHT}"/>')
        parts.append(
            f'<text x="{LEFT - 8}" y="{y(percent) + 4:.1f}" text-anchor="end">{percent:.0f} %</text>'
        )
    every = 2 if most <= 12 else 4 if most <= 28 else 8
    for switches in range(0, most + 1, every):
        parts.append(
            f'<text x="{x(switches):.1f}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle">{switches}</text>'
        )
    parts.append(
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2}" y="{HEIGHT - 6}" text-anchor="middle">switches in the trial</text>'
    )
    parts.append(f'<path class="wanted" d="M{LEFT} {y(tell_percent):.1f}H{WIDTH - RIGHT}"/>')
    ends: list[float] = []
    for line in lines:
        points = " ".join(f"{x(n):.1f},{y(p):.1f}" for n, p in zip(line.switches, line.percents, strict=True))
        mine = " mine" if line.hours == task.hours else ""
        parts.append(f'<polyline class="line{mine}" points="{points}"/>')
        at = y(line.percents[-1])
        while any(abs(at - other) < 15 for other in ends):
            at += 3
        ends.append(at)
        parts.append(
            f'<text class="{mine.strip() or "other"}" x="{x(line.switches[-1]) + 12:.1f}" y="{at + 4:.1f}">'
            f"{escape(f'{line.hours:g} h')}</text>"
        )
    parts.append(
        f'<circle class="chosen" cx="{x(chosen.switches):.1f}" cy="{y(chosen.smallest_percent):.1f}" r="7"/></svg>'
    )
    return "".join(parts)
