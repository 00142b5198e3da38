"""Nights of tests run without Prefect, whose server takes seconds to start; its own tests say otherwise.

Properties have no deadline: what an example takes depends on what else the machine does.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

os.environ.setdefault("CHAFFINCH_PLAIN", "1")

settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

LONG = ("proof", "faults", "browser", "slow")
QUICK_FOLDERS = ("unit", "properties", "published")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks the inner loop as ``quick``."""
    for item in items:
        folder = item.path.relative_to(Path(__file__).parent).parts[0]
        if folder in QUICK_FOLDERS and not any(item.get_closest_marker(name) for name in LONG):
            item.add_marker("quick")
