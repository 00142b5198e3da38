"""Where things lie: the checkout, the sample season, data that may not be committed."""

from __future__ import annotations

import os
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLE_DATA = ROOT / "sample_data"
SAMPLE_INBOX = SAMPLE_DATA / "inbox"
SHARED = Path(os.environ.get("CHAFFINCH_SHARED") or ROOT.parent / "shared")
