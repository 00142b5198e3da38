"""``chaffinch prove`` from the command line."""

from __future__ import annotations

import json
import subprocess
import sys

CALL = [sys.executable, "-m", "chaffinch.pipelines.command_line", "prove"]


def prove(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*CALL, *arguments], capture_output=True, text=True, timeout=120)


def test_a_small_proof_as_json_with_its_figure(tmp_path):
    figure = tmp_path / "proof.html"
    done = prove(
        "--scenario",
        "no_effect",
        "--fields",
        "2",
        "--seed",
        "4",
        "--no-peers",
        "--json",
        "--figure",
        str(figure),
    )
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert (summary["seed"], summary["held"]) == (4, True)
    assert [s["method"] for s in summary["scores"]] == ["chaffinch"]
    page = figure.read_text(encoding="utf-8")
    assert "true effects inside the 95 % range" in page
    assert 'src="http' not in page


def test_a_scenario_that_does_not_exist_is_told_with_those_that_do():
    done = prove("--scenario", "calm")
    assert done.returncode == 2
    assert "There is no scenario 'calm'. There are: plain," in done.stderr
    assert "Traceback" not in done.stderr


def test_a_figure_must_be_html_before_anything_is_simulated(tmp_path):
    done = prove("--scenario", "plain", "--figure", str(tmp_path / "proof.pdf"))
    assert done.returncode == 2
    assert "must end in .html" in done.stderr
    assert "Seed" not in done.stderr
