"""Published trials of settings put through the words and numbers of an effect, and shared as adjustments are.

Trials: drum speed and paddy damage, Iranian J. Biosystems Eng. art. 23116 (split-split plot, 3 replicates);
cutting height, capacity and fuel, Gursoy et al. 2015, Res. Agric. Eng. 61:116-121; ground-following cutterbar,
Int. Agrophys. 13:103-107, 1999. Ratios and slopes by hand from the printed means.
"""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.doses import dose_of
from chaffinch.pipelines.estimate.results.agreement import disagreement, least_squares
from chaffinch.pipelines.estimate.results.hierarchy import fit_hierarchy
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates
from chaffinch.pipelines.estimate.results.verdicts import answer, numbers

# (before at 550 rpm, after at 850 rpm, log slope for each 100 rpm), % of grain.
PADDY = {
    "cracked at 20 %, 20 kg/min": (6.137, 8.557, 0.1108),
    "cracked at 16 %, 12 kg/min": (8.797, 18.077, 0.2401),
    "broken": (0.713, 1.173, 0.1659),
    "husked": (0.823, 1.447, 0.1881),
}


def per_100_rpm(before: float, after: float) -> float:
    """The log effect of 550 -> 850 rpm by the doses that are shared, for each 100 rpm."""
    dose = dose_of(
        {
            "setting": "threshing_speed",
            "from_value": "550",
            "to_value": "850",
            "kind": "number",
            "unit": "rpm",
        }
    )
    assert dose is not None
    assert dose.per_step is not None
    estimate, _ = least_squares(
        np.array([np.log(after / before)]), np.array([[0.01]]), np.array([dose.amount])
    )
    return estimate * 100 / dose.per_step


@pytest.mark.parametrize("response", PADDY)
def test_damage_for_each_100_rpm(response):
    before, after, slope = PADDY[response]
    assert per_100_rpm(before, after) == pytest.approx(slope, abs=5e-5)


def test_the_interaction_shows_as_fields_that_differ():
    """Cracking rises 0.111 and 0.240 a hundred rpm under two conditions: no one figure holds for both.

    With errors of 0.02 Q = (0.2401 - 0.1108)^2 / (2 x 0.02^2) = 20.9 on 1 degree of freedom, chance 5e-6; the range
    of a field to come holds both.
    """
    slopes = np.array([per_100_rpm(*PADDY[name][:2]) for name in list(PADDY)[:2]])
    assert disagreement(slopes, 0.02**2 * np.eye(2), np.ones(2)) == pytest.approx(4.8e-6, rel=0.05)
    one, none = np.ones(1), np.zeros(1)
    no_unknown = none[:, None]
    fields = [
        FieldEstimates(
            "A", None, 2026, one * slope, one[:, None] * 0.02**2, one[:, None], no_unknown, np.inf, none
        )
        for slope in slopes
    ]
    beyond = fit_hierarchy(fields).next_fields
    assert beyond.quantile(0.025)[0] < slopes[0] < slopes[1] < beyond.quantile(0.975)[0]


@pytest.mark.parametrize(
    ("before", "after", "percent"),
    [(1.195, 1.365, 14.23), (54.472, 38.859, -28.66)],
    ids=["ha/h from 10 to 20 cm", "fuel L/ha from 10 to 20 cm"],
)
def test_percent_of_a_log_ratio(before, after, percent):
    log = float(np.log(after / before))
    assert numbers(answer(log, log - 0.05, log + 0.05, [], []))["percent"] == pytest.approx(
        percent, abs=0.006
    )


def test_a_cutterbar_changes_nothing_behind_the_machine():
    """Total less header loss is 0.9 and 0.8 % with the two bars, the printed threshing loss 0.84 % with both.

    Five seasons of each bar would tell such a ratio within a third at best; no change may be called.
    """
    log = float(np.log((5.3 - 4.5) / (17.4 - 16.5)))
    assert answer(log, log - 0.33, log + 0.33, [], []).verdict == "no clear change"
    header = float(np.log(4.5 / 16.5))
    assert answer(header, header - 0.33, header + 0.33, [], []).verdict == "less"
