"""What the tests of commands share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(scope="package", autouse=True)
def few_draws() -> Iterator[None]:
    """A tenth of the draws behind a range: these tests are about commands, lakes and nights, not about the width of
    ranges, and most of the time of an estimate goes into the draws."""
    from chaffinch.pipelines.estimate.results import spread_draws

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spread_draws, "WARM_UP", 12)
        patch.setattr(spread_draws, "SWEEPS", 48)
        yield
