"""Nights of tests run without Prefect, whose server takes seconds to start; its own tests say otherwise.

Properties have no deadline: what an example takes depends on what else the machine does.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

os.environ.setdefault("CHAFFINCH_PLAIN", "1")

settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")
