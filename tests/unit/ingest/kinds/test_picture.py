"""Which pictures are kept as a logo; a drawing that could run, load or grow is not."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.ingest.kinds.picture import picture_kind, read_picture

# A header of one pixel by one (ISO/IEC 15948, 11.2.2); what follows is not looked at.
PIXEL = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\1\0\0\0\1\x08\2\0\0\0"
PLAIN = '<path d="M0 0h9v9z" fill="url(#g)"/><linearGradient id="g"/><style>.a{fill:#123}</style>'


def drawing(inside: str, before: str = "") -> bytes:
    space = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return f'{before}<svg {space} viewBox="0 0 9 9">{inside}</svg>'.encode()


@pytest.mark.parametrize("content", [PIXEL, drawing(PLAIN), drawing(PLAIN, '<?xml version="1.0"?>')])
def test_plain_pictures_are_kept(content: bytes) -> None:
    kind = picture_kind(content)
    assert kind is not None
    assert (read_picture(content, kind).stated or "").startswith(f"data:image/{kind};base64,")


@pytest.mark.parametrize(
    ("inside", "why"),
    [
        ("<script>1</script>", "element 'script'"),
        ("<g onload='1'/>", "script in 'onload'"),
        ("<foreignObject/>", "element 'foreignobject'"),
        ("<image href='file:///etc/passwd'/>", "element 'image'"),
        ("<linearGradient xlink:href='http://example.invalid/#a'/>", "link to something else in 'href'"),
        ("<path style='fill:url(//example.invalid/a)'/>", "link to something else in 'style'"),
        ("<style>@import 'a.css';</style>", "link to something else in its style"),
        ("<defs><g id='a'/></defs><use href='#a'/>", "element 'use'"),
        ("<set attributeName='d'/>", "element 'set'"),
        ("<g>" * 100 + "</g>" * 100, "too many elements"),
        ("<g/>" * 6000, "too many elements"),
        ("<g>", "faults in its XML"),
    ],
)
def test_a_drawing_that_runs_loads_or_grows_is_not_kept(inside: str, why: str) -> None:
    found = read_picture(drawing(inside), "svg+xml")
    assert found.stated is None
    assert why in found.notes[0] and "as PNG" in found.notes[0]


def test_entities_are_refused_at_their_declaration() -> None:
    bomb = '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>'
    content = drawing("<text>&b;</text>", bomb)
    assert picture_kind(content) == "svg+xml"
    assert "a document type" in read_picture(content, "svg+xml").notes[0]


def test_a_picture_that_unpacks_to_much_or_is_of_another_kind_is_not_kept() -> None:
    huge = PIXEL.replace(b"IHDR\0\0\0\1", b"IHDR\0\1\0\0")
    assert "4000 pixels" in read_picture(huge, "png").notes[0]
    assert "4000 pixels" in read_picture(PIXEL[:15], "png").notes[0]
    assert "PNG and SVG" in read_picture(b"\xff\xd8\xff", "jpeg").notes[0]
    assert "500 kB" in read_picture(PIXEL + bytes(500_001), "png").notes[0]
    assert picture_kind(b"<html>") is None
