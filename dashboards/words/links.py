"""Where the pages of a site are: names that are safe for files, made of names that are data."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from hashlib import sha256
from typing import Any


def field_href(row: Mapping[str, Any]) -> str:
    """The page of a row of ``machine_fields``, from the root of the site; a page a day without a field."""
    day_of = row.get("day")
    days = () if day_of is None else (day_of.isoformat(),)
    return f"fields/{page_name('field', row['machine'], row['field'], *days)}"


def page_name(kind: str, *names: str | None) -> str:
    """File name of a page: a readable part and a short hash, never the raw name.

    The hash is of the names with their lengths, so that ("a", "bc") and ("ab", "c") differ.
    """
    plain = (
        unicodedata.normalize("NFKD", "-".join(n or "none" for n in names)).encode("ascii", "ignore").decode()
    )
    slug = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:40].strip("-")
    identity = "\0".join("none" if n is None else f"{len(n)}:{n}" for n in names)
    digest = sha256(identity.encode("utf-8", "surrogatepass")).hexdigest()[:10]
    return "-".join(part for part in (kind, slug, digest) if part) + ".html"


def machine_href(machine: str) -> str:
    """The machine's page, from the root of the site."""
    return f"machines/{page_name('machine', machine)}"


def crop_href(crop: str) -> str:
    """The crop's page, from the root of the site."""
    return f"crops/{page_name('crop', crop)}"


def sensors_href(machine: str) -> str:
    """The page of the machine's sensors, from the root of the site."""
    return f"sensors/{page_name('sensors', machine)}"
