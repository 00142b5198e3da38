"""Templates, styles and scripts of pages and reports, and how a page is rendered from them."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from chaffinch.dashboards.figures.theme import MARK_PATH
from chaffinch.dashboards.words import terms
from chaffinch.dashboards.words.cautions import CAUTIONS_TITLE, FIRST_CAUTIONS, LAST_CAUTION
from chaffinch.dashboards.words.confidence import DEFINITION

if TYPE_CHECKING:
    import jinja2


def text(name: str) -> str:
    """Content of one file of this folder."""
    return files("chaffinch.dashboards.templates").joinpath(name).read_text(encoding="utf-8")


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(text),
        autoescape=True,
        finalize=terms.plainly,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        mark_path=MARK_PATH,
        signed=terms.signed,
        percent_range=terms.percent_range,
        definition_of_confidence=DEFINITION,
        cautions_title=CAUTIONS_TITLE,
        first_cautions=FIRST_CAUTIONS,
        last_caution=LAST_CAUTION,
    )
    return environment


def render(name: str, context: dict[str, Any], root: str) -> bytes:
    """Page of template ``name``; ``root``: relative way from the page to the site's folder."""
    page = _environment().get_template(f"{name}.html").render(**context, root=root, here=name)
    return page.replace("\0", "\ufffd").encode("utf-8", "replace")
