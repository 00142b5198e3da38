"""Bytes of a text file to lines: encoding, line ends, and files that are not text."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from functools import cached_property

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile, counted
from chaffinch.pipelines.ingest.inbox.guard import LARGEST_TABLE_BYTES
from chaffinch.pipelines.ingest.inbox.inbox_file import CHUNK_BYTES, DAMAGE, InboxFile

LONGEST_LINE_BYTES = 16 << 20
_HEAD_BYTES = 1 << 16
# Western, central European, Cyrillic.
_PAGES = ("windows-1252", "windows-1250", "windows-1251")
_PAGE_HEAD_BYTES, _PAGE_CELLS = 4096, 200
_NOTHING = b"\0\r\n\t "
# More than this share of control characters in the first bytes is not a log.
MOST_CONTROL_SHARE = 0.05
_CONTROL = bytes(c for c in range(32) if c not in (9, 10, 12, 13, 27)) + b"\x7f"
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16, little end first"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16, big end first"),
)


@dataclass(frozen=True)
class Lines:
    """The lines of a text, the first is line 1; ``encoding`` in words; ``notes`` on what was odd.

    ``content``: the text as UTF-8, lines ended by line feeds, some of them perhaps after carriage returns.
    ``is_text``: False where so many control characters stand that it is probably not text.
    """

    content: bytes
    encoding: str
    is_text: bool = True
    notes: tuple[str, ...] = ()

    @cached_property
    def text(self) -> pl.Series:
        """Every line, without its end."""
        series = pl.Series("line", [self.content.decode()]).str.split("\n").explode()
        return series.str.strip_chars_end("\r") if b"\r" in self.content else series

    def head(self, lines: int) -> list[str]:
        """The first lines, without their ends."""
        start = 0
        found: list[str] = []
        while len(found) < lines and start <= len(self.content):
            end = self.content.find(b"\n", start)
            end = len(self.content) if end < 0 else end
            found.append(self.content[start:end].decode().rstrip("\r"))
            start = end + 1
        return found

    def start_of(self, index: int) -> int:
        """Where in ``content`` the line of this index starts."""
        start = 0
        for _ in range(index):
            end = self.content.find(b"\n", start)
            if end < 0:
                return len(self.content)
            start = end + 1
        return start


def bounded_content(file: InboxFile) -> bytes:
    """All bytes of ``file``, never holding a line beyond the limit. Raises ``UnreadableFile``."""
    pieces: list[bytes] = []
    size = since_line_end = 0
    with file.open() as stream:
        try:
            while piece := stream.read(CHUNK_BYTES):
                size += len(piece)
                ends = (piece.find(b"\n"), piece.find(b"\r"))
                first = min((end for end in ends if end >= 0), default=len(piece))
                if since_line_end + first > LONGEST_LINE_BYTES:
                    raise UnreadableFile(file.name, "A line is longer than 16 MB; no log has such lines.")
                last = max(piece.rfind(b"\n"), piece.rfind(b"\r"))
                since_line_end = len(piece) - last - 1 if last >= 0 else since_line_end + len(piece)
                if size > LARGEST_TABLE_BYTES:
                    raise UnreadableFile(
                        file.name,
                        f"The table is larger than {LARGEST_TABLE_BYTES >> 20} MiB; export it by day.",
                    )
                pieces.append(piece)
        except DAMAGE as error:
            raise UnreadableFile(file.name, f"It is damaged or cut short ({error}); copy it again.") from None
    return b"".join(pieces)


def decode_lines(file: str, content: bytes) -> Lines:
    """The lines of ``content``. Raises ``UnreadableFile`` when it is empty."""
    if not (content[:_HEAD_BYTES].strip(_NOTHING) or content.strip(_NOTHING)):
        raise UnreadableFile(file, "The file is empty; export it again, or remove it.")
    codec, encoding = _encoding(content)
    is_text = _is_text(content)
    notes: list[str] = []
    if codec != "utf-8":
        text = content.decode(codec, "replace")
        content = text.encode()
        if damaged := text.count("\ufffd"):
            notes.append(
                f"{counted(damaged, 'character')} could not be read as {encoding} and are shown as \ufffd."
            )
    whole = len(content)
    content = content.rstrip(b"\0")
    if whole > len(content):
        notes.append(
            f"{counted(whole - len(content), 'zero byte')} at the end were left out; the logger may have lost power."
        )
    return Lines(_with_line_feeds(content.removeprefix(codecs.BOM_UTF8)), encoding, is_text, tuple(notes))


def _with_line_feeds(content: bytes) -> bytes:
    """``content`` with line feeds for line ends of either other kind, unless kinds are mixed."""
    returns = content.count(b"\r")
    if not returns:
        return content
    if b"\n" not in content:
        return content.replace(b"\r", b"\n")
    return content.replace(b"\r\n", b"\n") if content.count(b"\r\n") == returns else content


def _encoding(content: bytes) -> tuple[str, str]:
    """Codec and its name in words."""
    for mark, codec, words in _MARKS:
        if content.startswith(mark):
            return codec, words
    head = content[:_HEAD_BYTES]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 0.3 * len(head) / 2 > 20 * even:
        return "utf-16-le", "UTF-16, little end first"
    if even > 0.3 * len(head) / 2 > 20 * odd:
        return "utf-16-be", "UTF-16, big end first"
    try:
        if not content.isascii():
            content.decode("utf-8")
    except UnicodeDecodeError:
        return _code_page(content[:_PAGE_HEAD_BYTES])
    return "utf-8", "UTF-8"


def _code_page(head: bytes) -> tuple[str, str]:
    """The code page by which most cells of the beginning name a column; the western one where none does."""
    from chaffinch.pipelines.ingest.text.headers import recognise

    known = []
    for page in _PAGES:
        cells = re.split(r"[;,\t|\r\n\"]+", head.decode(page, "replace"))[:_PAGE_CELLS]
        known.append(sum(recognise(cell.strip()).kind != "none" for cell in cells))
    page = _PAGES[known.index(max(known))]
    return page, page.capitalize()


def _is_text(content: bytes) -> bool:
    head = content[:_HEAD_BYTES].replace(b"\0", b"")
    control = len(head) - len(head.translate(None, _CONTROL))
    return control <= MOST_CONTROL_SHARE * len(head)
