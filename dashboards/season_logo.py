"""The client's logo, carried inside the report."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from pathlib import Path

LARGEST_BYTES = 2_000_000
# First bytes of the pictures that browsers show: ISO/IEC 15948 (PNG), ISO/IEC 10918 (JPEG), the GIF89a
# specification, and RFC 9649 (WebP, where the form follows the length).
_BEGINNINGS = ((b"\x89PNG\r\n\x1a\n", "png"), (b"\xff\xd8\xff", "jpeg"), (b"GIF8", "gif"))


def logo_of(named: str, folders: Sequence[Path]) -> tuple[str, list[str]]:
    """The picture ``named`` in farm.toml as a data URI, or empty; and a sentence where it can't be had.

    Looked for in ``folders`` in order, unless the name is a whole path.
    """
    if not named:
        return "", []
    tried = [Path(named)] if Path(named).is_absolute() else [folder / named for folder in folders]
    try:
        found = next((path for path in tried if path.is_file()), None)
    except (OSError, ValueError):
        found = None
    if found is None:
        places = " or ".join(dict.fromkeys(str(path.parent) for path in tried))
        return "", [
            f"The logo '{named}' of farm.toml was not found in {places}; put it there for the next report."
        ]
    try:
        if found.stat().st_size > LARGEST_BYTES:
            return "", [f"The logo {found} is larger than 2 MB; make it smaller."]
        content = found.read_bytes()
    except OSError as error:
        return "", [f"The logo {found} can't be read: {error.strerror}."]
    kind = picture_kind(content)
    if kind is None:
        return "", [f"The logo {found} is no PNG, JPEG, GIF, WebP or SVG picture."]
    return f"data:image/{kind};base64,{b64encode(content).decode()}", []


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
    return "svg+xml" if head.startswith((b"<svg", b"<?xml")) and b"<svg" in content[:4000] else None
