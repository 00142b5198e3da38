"""A picture in the inbox, kept as the client's logo for reports."""

from __future__ import annotations

import re
from base64 import b64encode
from xml.parsers import expat

from chaffinch.pipelines.parsed import Parsed

LARGEST_KEPT_BYTES = 500_000
# A picture of few bytes may unpack to many: no logo needs more on a side.
MOST_PIXELS = 4000
MOST_ELEMENTS, MOST_DEPTH = 5000, 40
KEPT = ("png", "svg+xml")
# First bytes of pictures: ISO/IEC 15948 (PNG), ISO/IEC 10918 (JPEG), the GIF89a specification, and RFC 9649 (WebP,
# where the form follows the length).
_BEGINNINGS = ((b"\x89PNG\r\n\x1a\n", "png"), (b"\xff\xd8\xff", "jpeg"), (b"GIF8", "gif"))
# What runs, loads, or multiplies (SVG 1.1 and 2): scripts, foreign content, links, animation, other files, copies.
_REFUSED = {
    "script", "foreignobject", "a", "image", "feimage", "use", "iframe", "handler", "animate", "animatetransform",
    "animatemotion", "set", "audio", "video",
}  # fmt: skip
_LOADS = re.compile(r"@import|javascript:|url\(\s*['\"]?\s*(?!#)", re.IGNORECASE)


def read_picture(content: bytes, kind: str) -> Parsed:
    """The picture, to be kept with the ledger as a data URI; one that no report can show is named and left."""
    why = _why_not_kept(content, kind)
    if why:
        return Parsed(kind="picture", notes=(why,))
    # The picture inside a text that pages can carry.
    return Parsed(kind="picture", stated=f"data:image/{kind};base64,{b64encode(content).decode()}")


def picture_kind(content: bytes) -> str | None:
    """What kind of picture the bytes are; None for anything else, whatever its name."""
    for beginning, kind in _BEGINNINGS:
        if content.startswith(beginning):
            return kind
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "webp"
    head = content[:1000].lstrip(b"\xef\xbb\xbf \t\r\n")
    drawn = head.startswith((b"<svg", b"<?xml", b"<!DOCTYPE svg")) and b"<svg" in content[:4000]
    return "svg+xml" if drawn and content.rstrip().endswith((b"</svg>", b"/>")) else None


def _why_not_kept(content: bytes, kind: str) -> str:
    """A sentence; empty for a picture that reports can show."""
    if len(content) > LARGEST_KEPT_BYTES:
        return "It is larger than 500 kB, so it is not kept for reports."
    if kind not in KEPT:
        return "Only PNG and SVG pictures are kept for reports; save it as one of them."
    if kind == "png":
        # Width and height are the first numbers of the header (ISO/IEC 15948, 11.2.2).
        sides = [int.from_bytes(content[at : at + 4], "big") for at in (16, 20)]
        if content[12:16] != b"IHDR" or not all(0 < side <= MOST_PIXELS for side in sides):
            return f"It is not an intact PNG of at most {MOST_PIXELS} pixels a side, so it is not kept for reports."
        return ""
    refused = _refused_in(content)
    plain = "Save it with plain shapes only, or as PNG."
    return f"The drawing has {refused}, so it is not kept for reports. {plain}" if refused else ""


def _refused_in(svg: bytes) -> str:
    """What a drawing has that no logo needs; empty if nothing. No entity is expanded and nothing is loaded."""
    found: list[str] = []
    depth = count = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth, count
        depth, count = depth + 1, count + 1
        name = tag.rpartition(":")[2].lower()
        if name in _REFUSED:
            found.append(f"an element '{name}'")
        for key, value in attributes.items():
            plain = key.rpartition(":")[2].lower()
            if plain.startswith("on"):
                found.append(f"a script in '{plain}'")
            elif (plain == "href" and not value.strip().startswith("#")) or _LOADS.search(value):
                found.append(f"a link to something else in '{plain}'")
        if depth > MOST_DEPTH or count > MOST_ELEMENTS:
            found.append("too many elements")
            raise _Enough

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1

    def words(text: str) -> None:
        if _LOADS.search(text):
            found.append("a link to something else in its style")

    def declared(*_: object) -> None:
        found.append("a document type")
        raise _Enough

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = words
    parser.StartDoctypeDeclHandler = declared
    try:
        parser.Parse(svg, True)
    except _Enough:
        pass
    except (expat.ExpatError, LookupError, ValueError):
        found.append("faults in its XML")
    return found[0] if found else ""


class _Enough(Exception):
    """Reading on would show nothing new."""
