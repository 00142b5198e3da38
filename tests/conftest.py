"""Nights of tests run without Prefect, whose server takes seconds to start; its own tests say otherwise.

Properties have no deadline: what an example takes depends on what else the machine does.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

os.environ.setdefault("CHAFFINCH_PLAIN", "1")
# As in the program: small matrices in many threads wait for each other, most of all beside other work.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

# What is left out of ``quick``, the inner loop, besides the folders of tests of the whole program.
SLOWER = ("seconds", "proof", "faults", "browser", "slow")
QUICK_FOLDERS = ("unit", "properties", "published")
TESTS = Path(__file__).parent


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """The inner loop does not even import the tests of other folders."""
    parts = collection_path.relative_to(TESTS).parts if collection_path.is_relative_to(TESTS) else ()
    return bool(parts) and config.option.markexpr == "quick" and parts[0] not in QUICK_FOLDERS or None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        folder = item.path.relative_to(TESTS).parts[0]
        if folder in QUICK_FOLDERS and not any(item.get_closest_marker(name) for name in SLOWER):
            item.add_marker("quick")


@pytest.fixture(scope="module")
def few_draws() -> Iterator[None]:
    """A tenth of the draws behind a range, for tests that are not about the width of ranges: most of the time of an
    estimate goes into the draws."""
    from chaffinch.pipelines.estimate.results import spread_draws

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spread_draws, "WARM_UP", 12)
        patch.setattr(spread_draws, "SWEEPS", 48)
        yield
