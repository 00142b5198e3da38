"""The batch expectations of ``expectations.toml``, checked and handed out as frozen objects."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Literal

from chaffinch.schemas.declarations import _Declared, channels, load_declared
from pydantic import model_validator


class BatchExpectation(_Declared):
    """``low`` <= ``measure`` <= ``high``, over the delivery, a machine in it, or channels of a machine.

    ``high_from_farm``: entry of ``thresholds`` in farm.toml that replaces ``high``. ``instead_of``: weaker
    expectations that are left out when this one is not met.
    """

    measure: str
    about: Literal["delivery", "channel"] = "delivery"
    channels: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    high_from_farm: Literal["set_aside_pct"] | None = None
    judgement: Literal["look", "poor"]
    instead_of: tuple[str, ...] = ()
    sentence: str

    @model_validator(mode="after")
    def _whole(self) -> BatchExpectation:
        if self.low is None and self.high is None:
            raise ValueError("an expectation needs low or high")
        if bool(self.channels) != (self.about == "channel"):
            raise ValueError("an expectation about channels names them, another one does not")
        for name in self.channels:
            if name not in channels():
                raise ValueError(f"'{name}' is not a channel of channels.toml")
        return self


@cache
def batch_expectations() -> Mapping[str, BatchExpectation]:
    """Batch expectations by name, in declared order."""
    return load_declared("expectations.toml", BatchExpectation)
