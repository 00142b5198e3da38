"""A picture in the inbox, kept as the client's logo for reports."""

from __future__ import annotations

from base64 import b64encode

from chaffinch.pipelines.parsed import Parsed

LARGEST_KEPT_BYTES = 500_000
# First bytes of the pictures that browsers show: ISO/IEC 15948 (PNG), ISO/IEC 10918 (JPEG), the GIF89a
# specification, and RFC 9649 (WebP, where the form follows the length).
_BEGINNINGS = ((b"\x89PNG\r\n\x1a\n", "png"), (b"\xff\xd8\xff", "jpeg"), (b"GIF8", "gif"))


def read_picture(content: bytes, kind: str) -> Parsed:
    """The picture, to be kept with the ledger as a data URI; a photograph is named and left where it lies."""
    if len(content) > LARGEST_KEPT_BYTES:
        return Parsed(kind="picture", notes=("It is larger than 500 kB, so it is not kept for reports.",))
    return Parsed(kind="picture", stated=data_uri(content, kind))


def data_uri(content: bytes, kind: str) -> str:
    """The picture inside a text that pages can carry."""
    return f"data:image/{kind};base64,{b64encode(content).decode()}"


def picture_kind(content: bytes) -> str | None:
    """What kind of picture the bytes are; None for anything else, whatever its name.

    An SVG is shown as an image, where browsers run no script of it and load nothing for it.
    """
    for beginning, kind in _BEGINNINGS:
        if content.startswith(beginning):
            return kind
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "webp"
    head = content[:1000].lstrip(b"\xef\xbb\xbf \t\r\n")
    drawn = head.startswith((b"<svg", b"<?xml")) and b"<svg" in content[:4000]
    return "svg+xml" if drawn and content.rstrip().endswith((b"</svg>", b"/>")) else None
