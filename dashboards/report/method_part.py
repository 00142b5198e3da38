"""The method and the words of the season report."""

from __future__ import annotations

from collections.abc import Iterator

from chaffinch.dashboards.paper.blocks import Block, Bullets, Heading, Paragraph, line, strong
from chaffinch.dashboards.report.season_tables import settings_changed
from chaffinch.dashboards.report.worth import WeighedSeason
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.terms import NARROW
from chaffinch.schemas.declarations import settings

PARAGRAPHS = (
    (
        "The question.",
        "What did this change do to the loss share, in this crop, at the same grain feed rate and under "
        "the same conditions?",
    ),
    (
        "The readings.",
        "Grain and loss reach their sensors seconds after the crop was cut; these delays are estimated and "
        "removed. Only steady work counts: starts and ends of passes, turns, stops and thin crop are left out.",
    ),
    (
        "The fit.",
        "All changes of a field are fitted together as steps in the logarithm of the outcome. For losses, grain "
        "feed rate, moisture and side slope are held constant; throughput is as driven.",
    ),
    (
        "The range",
        "is checked against placebos, the same fit at moments when nothing was changed, and widened where they "
        "show that it is too narrow.",
    ),
    (
        "The verdict.",
        "less or more: the range is clear of no change. no clear change: neither is shown. cannot tell: the "
        "data do not allow an answer.",
    ),
    ("Changes made together", "within a short time can't be separated: their effect belongs to all of them."),
    (
        "Capacity",
        "is how much the machine could harvest an hour at the same loss share. It is another use of the same "
        "gain, and never added to it.",
    ),
    (
        "Limits.",
        "A sensor whose gain changes, or crop that changes, at the same moment as a setting looks like an effect. "
        "No signal shows header loss.",
    ),
)
GLOSSARY = (
    ("Grain feed rate", "Grain entering the machine, t/h; straw is not measured."),
    ("Loss share", "Loss in % of total grain: grain lost / (grain kept + grain lost)."),
    ("Loss check", "Grain weighed or counted behind the machine, in a pan or frame."),
    ("Range", f"95{NARROW}% range: where the true value is expected."),
)


def method_blocks(season: WeighedSeason) -> Iterator[Block]:
    """How effects were found, and what the words mean."""
    for name, text in PARAGRAPHS:
        yield Paragraph(line(strong(name), f" {text}"))
    if season.data.estimated_again:
        yield Paragraph(
            line(
                strong("This year alone."),
                f" The lake has other years too. The effects here use the readings of {season.data.year} only, so "
                "they may differ a little from pages that use all years.",
            )
        )
    yield Heading("Words used here", 2)
    names = [n for n in settings_changed([*season.crops, *season.machines]) if n in settings()]
    meanings = [
        (words.capitalized(words.OUTCOME_WORDS[key]), f"{words.capitalized(meaning)}.")
        for key, meaning in words.OUTCOME_MEANING.items()
    ]
    known = [(settings()[n].label, settings()[n].does) for n in names]
    yield Bullets(
        [line(strong(f"{word}."), f" {meaning}") for word, meaning in (*GLOSSARY, *meanings, *known)],
        small=True,
    )
