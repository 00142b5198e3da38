"""Nights of tests run without Prefect, whose server takes seconds to start; its own tests say otherwise."""

from __future__ import annotations

import os

os.environ.setdefault("CHAFFINCH_PLAIN", "1")
