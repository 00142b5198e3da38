"""XML of task data, read into plain nodes with hostile documents refused.

The format never needs a document type declaration, so one is refused at its first byte: with it go external
entities and entity expansion. Depth and number of elements are bounded, so memory is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.parsers import expat

MAX_DEPTH = 64
MAX_ELEMENTS = 1_000_000
MAX_BYTES = 512 * 2**20


class RefusedXml(ValueError):
    """The document is hostile or no XML at all. The message is a sentence without a subject."""


@dataclass(slots=True)
class Node:
    """One element: its name, its attributes without namespaces, its children in order."""

    tag: str
    attributes: dict[str, str]
    children: list[Node] = field(default_factory=list)

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
            value = float(text)
        except ValueError:
            return None
        return value if abs(value) < float("inf") else None

    def hexadecimal(self, letter: str) -> int | None:
        """Attribute as hexadecimal digits, as identifiers and names are written; None when it is none."""
        text = self.get(letter)
        return int(text, 16) if text and re.fullmatch(r"[0-9A-Fa-f]{1,16}", text) else None

    def named(self, *tags: str) -> Iterator[Node]:
        """Children with one of these names."""
        return (child for child in self.children if child.tag in tags)


@dataclass(frozen=True, slots=True)
class Document:
    """``fault`` is a sentence when the document broke off; ``root`` then holds what stood before."""

    root: Node
    fault: str | None = None


def parse_xml(data: bytes) -> Document:
    """Parse ``data``; a document that breaks off gives what stood before the break, with the fault.

    Two harmless faults of real files are mended: bytes of a Western code page under a UTF-8 declaration, and
    a bare ``<`` inside an attribute. Raises ``RefusedXml`` when nothing can or may be read.
    """
    if len(data) > MAX_BYTES:
        raise RefusedXml(f"is larger than {MAX_BYTES // 2**20} MiB, too large for XML of task data")
    document = _parse(data, None)
    if document is not None and document.fault is None:
        return document
    mended = _mend(data)
    if mended is not None:
        again = _parse(mended, "utf-8")
        if again is not None and again.fault is None:
            return again
    if document is None:
        raise RefusedXml("is not XML")
    return document


def _mend(data: bytes) -> bytes | None:
    """``data`` in UTF-8 and with bare ``<`` inside attributes escaped; None when nothing is to mend."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    text = re.sub(r'(=\s*")([^"]*)(")', lambda m: m[1] + m[2].replace("<", "&lt;") + m[3], text)
    mended = text.encode("utf-8")
    return None if mended == data else mended


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
        node = Node(tag, {name: value for name, value in attributes.items() if ":" not in name})
        if stack:
            stack[-1].children.append(node)
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
    return Document(root[0], fault) if root else None
