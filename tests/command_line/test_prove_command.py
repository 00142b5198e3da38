"""``chaffinch prove`` from the command line."""

from __future__ import annotations

import json

from chaffinch.pipelines.command_line.program import run


def test_a_small_proof_as_json_with_its_figure(tmp_path, capsys, monkeypatch):
    # Two fields are not worth processes, whose start takes seconds.
    monkeypatch.setattr("chaffinch.pipelines.prove.proof.processors", lambda: 1)
    figure = tmp_path / "proof.html"
    call = [
        "prove",
        "--scenario",
        "no_effect",
        "--fields",
        "2",
        "--seed",
        "4",
        "--no-peers",
        "--json",
        "--figure",
    ]
    assert run([*call, str(figure)]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert (summary["seed"], summary["held"]) == (4, True)
    assert [s["method"] for s in summary["scores"]] == ["chaffinch", "each log alone"]
    page = figure.read_text(encoding="utf-8")
    assert "true effects inside the 95 % range" in page
    assert 'src="http' not in page


def test_a_scenario_that_does_not_exist_is_answered_with_those_that_do(capsys):
    assert run(["prove", "--scenario", "calm"]) == 2
    error = capsys.readouterr().err
    assert "There is no scenario 'calm'. There are: plain," in error
    assert "Traceback" not in error


def test_a_figure_must_be_html_before_anything_is_simulated(tmp_path, capsys):
    assert run(["prove", "--scenario", "plain", "--figure", str(tmp_path / "proof.pdf")]) == 2
    error = capsys.readouterr().err
    assert "must end in .html" in error
    assert "Seed" not in error
