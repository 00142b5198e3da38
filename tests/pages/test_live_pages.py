"""An open page follows when the pages command rewrites it; nobody has to press reload."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest


@pytest.mark.parametrize("held_up", [False, True])
def test_an_open_page_shows_what_was_rewritten(
    visit: Any, friendly_site: Path, tmp_path: Path, held_up: bool
) -> None:
    """Also where its first question for its version is answered only after the page was rewritten."""
    site = tmp_path / "site"
    shutil.copytree(friendly_site, site)
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "view", "--site", str(site)]
    with subprocess.Popen([*call, "--port", "0", "--json"], stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            address = json.loads(server.stdout.readline())["address"]
            seen = visit(width=800)
            held: list[Any] = []

            def hold(one: Any) -> None:
                if one.request.method == "HEAD" and page.read_bytes() == first:
                    held.append(one)
                else:
                    one.continue_()

            page = site / "index.html"
            first = page.read_bytes()
            if held_up:
                seen.page.route(address, hold)
            seen.page.goto(address)
            heading = seen.page.locator("h1")
            assert heading.inner_text() == "Harvest overview"
            part = site / "index.html.part"
            part.write_text(
                page.read_text(encoding="utf-8").replace("Harvest overview", "Anew"), encoding="utf-8"
            )
            part.replace(page)
            for one in held:
                one.continue_()
            seen.page.wait_for_function("document.querySelector('h1').textContent === 'Anew'", timeout=10_000)
            assert seen.said == []
            assert [url for url in seen.asked if not url.startswith((address, "data:"))] == []
            server.send_signal(signal.SIGINT)
            assert server.wait(10) == 0
        finally:
            # Else a failure above would wait for the server for ever.
            server.kill()
