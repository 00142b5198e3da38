"""The client's logo, carried inside the report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from chaffinch.pipelines.ingest.kinds.picture import data_uri, picture_kind

LARGEST_BYTES = 2_000_000


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
    return data_uri(content, kind), []
