"""From the page of a report to a PDF, by a Chromium that is installed on this machine."""

from __future__ import annotations

import os
import shutil
import tempfile
from datetime import datetime
from io import BytesIO
from pathlib import Path

from chaffinch.pipelines.errors import CallError, ChaffinchError
from chaffinch.pipelines.parallel.children import TookTooLong, run_child

NAMED_BY = "CHAFFINCH_CHROMIUM"
NAMES = ("chromium", "chromium-browser", "chrome")
LONGEST_S = 240
# No network, no profile of the user, no telemetry.
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
    found = next(filter(None, map(shutil.which, [named] if named else NAMES)), None)
    if found is not None:
        return found
    if named:
        raise CallError(f"{NAMED_BY} names {named}, which is no program; correct it, or take .html instead.")
    raise CallError(
        "Chromium prints the PDF, and it is not installed. Install the package chromium, or name its program "
        f"in {NAMED_BY}; or write .html and print it from a browser."
    )


def print_pdf(page: bytes, dated: datetime) -> bytes:
    """The PDF of a page that needs no other file, with ``dated`` as its date.

    Page size, margins, header and page numbers are those of the page's style sheet. Chromium can't write page
    numbers into a table of contents, so the page is printed twice: the second time with the page of each
    heading in its ``<span class="leaf" data-of="heading"></span>``. Raises ``CallError`` without a Chromium,
    ``ChaffinchError`` where it fails.
    """
    from pypdf import PdfReader, PdfWriter

    chromium = find_chromium()
    first = PdfReader(BytesIO(_printed(chromium, page)))
    for heading, place in first.named_destinations.items():
        leaf = f'<span class="leaf" data-of="{heading.removeprefix("/")}">'
        number = first.get_destination_page_number(place)
        page = page.replace(f"{leaf}</span>".encode(), f"{leaf}{1 + (number or 0)}</span>".encode())
    whole = PdfWriter(clone_from=BytesIO(_printed(chromium, page)))
    # The date of the data, so that the same data give the same file.
    stamp = dated.strftime("D:%Y%m%d%H%M%S+00'00'")
    whole.add_metadata({"/CreationDate": stamp, "/ModDate": stamp})
    written = BytesIO()
    whole.write(written)
    return written.getvalue()


def _printed(chromium: str, page: bytes) -> bytes:
    with tempfile.TemporaryDirectory(prefix="chaffinch-print-") as folder:
        source, made = Path(folder, "report.html"), Path(folder, "report.pdf")
        source.write_bytes(page)
        call = [chromium, *QUIET, f"--user-data-dir={folder}/profile", f"--print-to-pdf={made}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            # Chromium refuses its sandbox to the superuser; the page has no script and loads nothing.
            call.append("--no-sandbox")
        try:
            code, said = run_child([*call, source.as_uri()], LONGEST_S, folder=Path(folder))
        except TookTooLong:
            raise ChaffinchError(
                f"Chromium took longer than {LONGEST_S} s to print; write .html instead."
            ) from None
        except OSError as error:
            raise ChaffinchError(f"{chromium} can't be started: {error.strerror}.") from None
        content = made.read_bytes() if made.is_file() else b""
    if not content.startswith(b"%PDF-"):
        why = said or f"exit {code}"
        raise ChaffinchError(f"Chromium ({chromium}) printed nothing: {why}. Write .html instead.")
    return content
