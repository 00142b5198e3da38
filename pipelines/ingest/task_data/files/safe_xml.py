"""XML of task data, read into plain nodes with hostile documents refused.

The format never needs a document type declaration, so one is refused at its first byte: with it go external
entities and entity expansion. Depth and number of elements are bounded, so memory is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.parsers import expat

MAX_DEPTH = 64
MAX_ELEMENTS = 1_000_000
MAX_BYTES = 64 * 2**20
# The longest text of the standard has 255 letters.
MAX_LETTERS = 2000


class RefusedXml(ValueError):
    """The document is hostile or no XML at all. The message is a sentence without a subject."""


@dataclass(slots=True)
class Node:
    """One element: its name, its attributes without namespaces, its children in order."""

    tag: str
    attributes: dict[str, str]
    children: Sequence[Node] = ()

    def get(self, letter: str) -> str | None:
        """Value of an attribute; None when absent *or empty*, which the format uses alike."""
        return self.attributes.get(letter, "").strip() or None

    def whole(self, letter: str) -> int | None:
        """Attribute as a whole number; None when absent, empty or no number."""
        text = self.get(letter)
        if text is None or len(text) > 32:
            return None
        try:
            return int(text)
        except ValueError:
            return None

    def number(self, letter: str) -> float | None:
        """Attribute as a finite number; None when absent, empty or no number."""
        text = self.get(letter)
        if text is None or len(text) > 64:
            return None
        try:
            # Some exporters write the decimal comma of their own country.
            value = float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
        except ValueError:
            return None
        return value if abs(value) < float("inf") else None

    def hexadecimal(self, letter: str) -> int | None:
        """Attribute as hexadecimal digits, as identifiers and names are written; None when it is none."""
        text = self.get(letter)
        return int(text, 16) if text and re.fullmatch(r"(0[xX])?[0-9A-Fa-f]{1,16}", text) else None

    def named(self, *tags: str) -> Iterator[Node]:
        """Children with one of these names."""
        return (child for child in self.children if child.tag in tags)


@dataclass(frozen=True, slots=True)
class Document:
    """``fault`` is a sentence when the document broke off; ``root`` then holds what stood before."""

    root: Node
    fault: str | None = None
    elements: int = 0


def parse_xml(data: bytes) -> Document:
    """Parse ``data``; a document that breaks off gives what stood before the break, with the fault.

    Harmless faults of real files are mended (``_mend``). Raises ``RefusedXml`` when nothing can or may be
    read.
    """
    if len(data) > MAX_BYTES:
        raise RefusedXml(f"is larger than {MAX_BYTES // 2**20} MiB, too large for XML of task data")
    document = _parse(data, None)
    if document is not None and document.fault is None:
        return document
    again = _parse(_mend(data), "utf-8")
    # A file with a fault that can be mended may break off as well.
    if again is not None and (document is None or again.elements > document.elements or not again.fault):
        return again
    if document is None:
        raise RefusedXml("is not XML")
    return document


# An ampersand that begins no reference to a character.
_BARE_AMPERSAND = re.compile(r"&(?!(?:#[0-9]{1,7}|#x[0-9A-Fa-f]{1,6}|amp|lt|gt|quot|apos);)")
_NOT_ALLOWED = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]"
    "|&#0*(?:[0-8]|1[124-9]|2[0-9]|3[01]);|&#[xX]0*(?:[0-8bcefBCEF]|1[0-9a-fA-F]);"
)


def _mend(data: bytes) -> bytes:
    """``data`` with the usual faults of exporters corrected, as UTF-8.

    Those are: another encoding than the one declared, something before the first ``<``, a bare ``&``, a ``<``
    inside an attribute, control characters, zero bytes at the end.
    """
    text = _decoded(data)
    text = _NOT_ALLOWED.sub(" ", text[max(0, text.find("<")) :])
    text = re.sub(r"^<\?xml[^>]{0,200}>", "", text)
    text = _BARE_AMPERSAND.sub("&amp;", text)
    text = re.sub(r'(=\s*")([^"]*)(")', lambda m: m[1] + m[2].replace("<", "&lt;") + m[3], text)
    return text.encode("utf-8", "replace")


# Of one table or of pairs of bytes: no codec that computes.
_PLAIN_ENCODING = re.compile(
    r"(iso-?8859-\d{1,2}|latin-?\d|windows-?\d{3,4}|cp\d{3,4}|koi8-[ru]|gb(k|2312|18030)|big5|shift_jis|euc-(jp|kr))",
    re.IGNORECASE,
)


def _decoded(data: bytes) -> str:
    """As text: by its byte order mark, as UTF-8, by the encoding declared, else by a Western code page."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    declared = re.search(rb"encoding\s*=\s*[\"']([A-Za-z0-9._-]{1,40})[\"']", data[:200])
    named = declared[1].decode() if declared else ""
    for encoding in ("utf-8-sig", named if _PLAIN_ENCODING.fullmatch(named) else "utf-8-sig"):
        try:
            return data.decode(encoding)
        except (UnicodeError, LookupError):
            continue
    return data.decode("cp1252", errors="replace")


def _parse(data: bytes, encoding: str | None) -> Document | None:
    parser = expat.ParserCreate(encoding)
    root: list[Node] = []
    stack: list[Node] = []
    count = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if count > MAX_ELEMENTS:
            raise RefusedXml(f"holds more than {MAX_ELEMENTS} elements, too many for task data")
        if len(stack) >= MAX_DEPTH:
            raise RefusedXml(f"nests elements deeper than {MAX_DEPTH}, which task data never does")
        # The format has no namespace; one that a writer made up says nothing.
        own = {name: value[:MAX_LETTERS] for name, value in attributes.items() if ":" not in name}
        node = Node(tag.rpartition(":")[2], own)
        if stack:
            # Most elements hold no others, and there may be hundreds of thousands.
            if not stack[-1].children:
                stack[-1].children = []
            stack[-1].children.append(node)  # type: ignore[attr-defined]
        else:
            root.append(node)
        stack.append(node)

    def refuse(*_: object) -> int:
        raise RefusedXml(
            "holds a document type declaration, which task data never needs; it was not followed"
        )

    parser.StartElementHandler = start
    parser.EndElementHandler = lambda tag: stack.pop()
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.ExternalEntityRefHandler = refuse
    fault = None
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        fault = f"breaks off at line {error.lineno} ({expat.ErrorString(error.code)})"
    except (LookupError, ValueError) as error:
        if isinstance(error, RefusedXml):
            raise
        fault = "declares an encoding that is not known"
    return Document(root[0], fault, count) if root else None
