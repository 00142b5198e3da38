"""Paths: the checkout, the sample season, data that may not be committed."""

from __future__ import annotations

from pathlib import Path

import pytest

from builders import environment

ROOT = Path(__file__).parents[2]
SAMPLE_DATA = ROOT / "sample_data"
SAMPLE_INBOX = SAMPLE_DATA / "inbox"
SHARED = ROOT / environment.text("CHAFFINCH_SHARED")
CORN_LOG = "corn_yield_log_2011.tsv"


def corn_log() -> Path:
    """A real corn log of 4,949 records every 3 s, the first at 2011-11-05 12:38:03 US Central; a skip without it.

    Univ. of Minnesota Precision Agriculture Center, by way of agridat (gartner.corn), CC BY-SA 3.0.
    """
    path = SHARED / "data" / CORN_LOG
    if not path.is_file():
        pytest.skip(f"the log is missing; set CHAFFINCH_SHARED to the folder that holds data/{CORN_LOG}")
    return path
