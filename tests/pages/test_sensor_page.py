"""The page of a machine's sensors: what it says and draws of sensors that are known."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest


@pytest.fixture(scope="module")
def shown(friendly_site: Path) -> str:
    (page,) = (friendly_site / "sensors").glob("*.html")
    return page.read_text(encoding="utf-8")


def test_gain_proportion_zeros_and_slope_are_said(shown):
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", shown)).replace("\u202f", " ")
    # 1 kg/s shows 300 units, within the errors of the checks: a unit is 3.3 g/s.
    assert re.search(
        r"5 loss checks, the last on 20 July 2026: one unit .* means 3\.\d+ g/s of lost grain", text
    )
    # It is proportional in truth; five checks leave that open.
    assert "the signal may or may not be proportional to the loss" in text
    assert "Cleaning loss: The loss signal is often zero in steady work" in text
    assert "8.0 %" in text
    assert "Cleaning loss: the signal hardly rises with the feed rate" in text
    assert "Before anyone touches the machine" in text
    # By the error that the page itself states of one check.
    said = re.search(
        r"one check is accurate to about (\d+) % \(by this machine&#39;s checks\). Without the log, 3 on each side "
        r"show an effect to within (\d+) %",
        text,
    )
    assert said is not None
    error, within = (np.log1p(float(one) / 100) for one in said.groups())
    assert within == pytest.approx(1.96 * error * np.sqrt(2 / 3), rel=0.05)


def test_the_figure_shows_each_check_at_its_signal(shown):
    found = re.findall(r'data-figure="([^"]+)">(.*?)</script>', shown, re.DOTALL)
    figures = {name: json.loads(text) for name, text in found}
    checks = next(trace for trace in figures["checks-1"]["data"] if trace["meta"] == "loss check")
    # The first check of the made-up machine: 40 g/s lost, 300 x 0.04 x 0.9 = 10.8 units.
    assert (checks["x"][0], checks["y"][0]) == pytest.approx((10.8, 40.0))
    assert len(checks["x"]) == 5 and len(figures["gain-1"]["data"]) == 3


def test_the_page_of_the_machine_leads_to_it(friendly_site):
    (machine,) = (friendly_site / "machines").glob("*.html")
    (page,) = (friendly_site / "sensors").glob("*.html")
    assert f'href="../sensors/{page.name}"' in machine.read_text(encoding="utf-8")


def test_hostile_names_stay_texts(hostile_site):
    pages = list((hostile_site / "sensors").glob("*.html"))
    assert len(pages) == 8
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert "<script>document" not in text and "<img src=x" not in text and "\u202e" not in text
