"""The season report as one paper: the client's part, then the annex."""

from __future__ import annotations

from datetime import datetime
from typing import cast

from chaffinch.dashboards.paper.blocks import Contents, Paper
from chaffinch.dashboards.report.annex import SECTIONS, annex_blocks
from chaffinch.dashboards.report.client_part import client_blocks
from chaffinch.dashboards.report.season_data import SeasonData
from chaffinch.dashboards.report.worth import WeighedSeason
from chaffinch.dashboards.words import terms as words

FIRST_SECTIONS = (
    ("next", "What to do next season"),
    ("learned", "What was learned"),
    ("fields", "What each field shows"),
    ("how", "How the effects were found"),
)


def report_paper(season: WeighedSeason, logo: str) -> Paper:
    """The report. ``logo``: a data URI, or empty."""
    data, client = season.data, season.farm.client
    zone = season.farm.time_zone
    dated = client.date or last_moment(data)
    day_of = f"{dated.day} {words.MONTHS[dated.month - 1]} {dated.year}"
    season_of = f"Season {data.year}" if client.title else ""
    made = ", ".join(
        filter(None, [season_of, f"by {client.consultant}" if client.consultant else "", day_of])
    )
    first, rest = (client_blocks(season), annex_blocks(season))
    day = words.day(last_moment(data), zone)
    return Paper(
        title=client.title or f"Season report {data.year}",
        above=[client.name] if client.name else [],
        below=[words.capitalized(made)],
        blocks=[*first, Contents((*FIRST_SECTIONS, *SECTIONS)), *rest],
        footer=f"Made from data up to {day}. Settings and losses are as logged; check them on the machine before "
        "relying on them.",
        logo=logo,
        logo_words=f"Logo of {client.name}" if client.name else "Logo",
        us=season.farm.units == "us",
    )


def last_moment(data: SeasonData) -> datetime:
    """The latest reading of the year: the date of the report, so that the same data give the same report."""
    return cast(datetime, data.where["last_time"].max())
