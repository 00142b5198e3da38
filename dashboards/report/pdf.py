"""From the page of a report to a PDF, by a Chromium that is installed on this machine."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from chaffinch.pipelines.errors import CallError, ChaffinchError

NAMED_BY = "CHAFFINCH_CHROMIUM"
NAMES = ("chromium", "chromium-browser", "chrome")
LONGEST_S = 240
# No network, no profile of the user's, nothing reported home.
QUIET = (
    "--headless",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-extensions",
    "--disable-sync",
    "--disable-breakpad",
    "--metrics-recording-only",
    "--no-first-run",
    "--no-pings",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--no-pdf-header-footer",
    "--export-tagged-pdf",
    "--generate-pdf-document-outline",
)


def find_chromium() -> str:
    """Path of an installed Chromium. Raises ``CallError`` that says how to get one."""
    named = os.environ.get(NAMED_BY)
    if named:
        found = shutil.which(named)
        if found is None:
            raise CallError(
                f"{NAMED_BY} names {named}, which is no program; correct it, or take .html instead."
            )
        return found
    for name in NAMES:
        found = shutil.which(name)
        if found is not None:
            return found
    raise CallError(
        "A PDF is printed by Chromium, and none is installed. Install the package chromium, or name its "
        f"program in {NAMED_BY}; or write .html and print it from a browser."
    )


def print_pdf(page: bytes, dated: datetime) -> bytes:
    """The PDF of a page that needs nothing beside itself. ``dated``: the date that stands in the file.

    Page size, margins, header and page numbers are those of the page's style sheet. Chromium can't number a
    table of contents by itself, so the page is printed twice: the second time with the numbers on which the
    headings came to stand the first time. Raises ``CallError`` without a Chromium, ``ChaffinchError`` where it
    fails.
    """
    chromium = find_chromium()
    content = _printed(chromium, page)
    numbers = heading_pages(content)
    if numbers:
        content = _printed(chromium, with_page_numbers(page, numbers))
    return _dated(content, dated)


def with_page_numbers(page: bytes, numbers: Mapping[str, int]) -> bytes:
    """The page with the number of its heading's page in every ``<span class="leaf" data-of="heading">``."""

    def put(found: re.Match[bytes]) -> bytes:
        number = numbers.get(found[2].decode())
        return found[1] + (b"" if number is None else str(number).encode()) + b"</span>"

    return re.sub(rb'(<span class="leaf" data-of="([a-z]+)">)</span>', put, page)


def heading_pages(pdf: bytes) -> dict[str, int]:
    """Name of each place that a link leads to, and the number of its page, as Chromium writes them in a PDF.

    Places are ``/name [12 0 R /XYZ x y zoom]`` (ISO 32000-1, 12.3.2), pages the leaves of the tree of
    ``/Kids`` in order (7.7.3). Empty where the file is written in another way.
    """
    bodies = {int(n): body for n, body in re.findall(rb"(?:^|\n)(\d+) 0 obj\s(.*?)endobj", pdf, flags=re.S)}
    root = next((body for body in bodies.values() if re.search(rb"/Type\s*/Catalog", body)), b"")
    top = re.search(rb"/Pages (\d+) 0 R", root)
    order: list[int] = []
    waiting = [int(top[1])] if top else []
    while waiting and len(order) <= len(bodies):
        number = waiting.pop(0)
        kids = re.search(rb"/Kids\s*\[([^\]]*)\]", bodies.get(number, b""))
        if kids:
            waiting = [int(kid) for kid in re.findall(rb"(\d+) 0 R", kids[1])] + waiting
        else:
            order.append(number)
    place = {number: page for page, number in enumerate(order, 1)}
    places = re.findall(rb"/([A-Za-z]\w*) \[(\d+) 0 R /XYZ", pdf)
    return {name.decode(): place[int(number)] for name, number in places if int(number) in place}


def _printed(chromium: str, page: bytes) -> bytes:
    with tempfile.TemporaryDirectory(prefix="chaffinch-print-") as folder:
        source, made = Path(folder, "report.html"), Path(folder, "report.pdf")
        source.write_bytes(page)
        call = [chromium, *QUIET, f"--user-data-dir={folder}/profile", f"--print-to-pdf={made}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            # Chromium refuses its sandbox to the superuser; the page has no script and loads nothing.
            call.append("--no-sandbox")
        try:
            done = subprocess.run(
                [*call, source.as_uri()], capture_output=True, timeout=LONGEST_S, check=False, cwd=folder
            )
        except subprocess.TimeoutExpired:
            raise ChaffinchError(
                f"Chromium took longer than {LONGEST_S} s to print; write .html instead."
            ) from None
        except OSError as error:
            raise ChaffinchError(f"{chromium} can't be started: {error.strerror}.") from None
        content = made.read_bytes() if made.is_file() else b""
    if not content.startswith(b"%PDF-"):
        last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or [f"exit {done.returncode}"]
        raise ChaffinchError(f"Chromium ({chromium}) printed nothing: {last[0][:200]}. Write .html instead.")
    return content


def _dated(content: bytes, dated: datetime) -> bytes:
    """The same PDF with the date of its data, so that the same data give the same bytes.

    Nearly always: Chromium may number its tags otherwise.
    """
    stamp = dated.strftime("D:%Y%m%d%H%M%S+00'00'").encode()

    def put(found: re.Match[bytes]) -> bytes:
        # Offsets in the file must stay: only a date of the same length is put in.
        return found[1] + stamp + b")" if len(found[2]) == len(stamp) else found[0]

    return re.sub(rb"(/(?:CreationDate|ModDate) \()(D:[0-9+'Z-]+)\)", put, content)
