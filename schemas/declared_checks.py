"""What rows and deliveries are checked for: the declarations of ``rules.toml`` and ``expectations.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Literal

from chaffinch.schemas.declarations import _Declared, channels, load_declared
from pydantic import model_validator

Check = Literal["required", "moment", "range", "channel_ranges", "setting_range", "not_both_zero", "repeated"]


class RowRule(_Declared):
    """One rule. ``value_only``: whether the value alone leaves, its column empty, and the rest of its row stays.

    ``low``, ``high``: limits that are still allowed; ``above``: a limit that is not.

    ``null``: whether an empty value passes or fails; every rule says so.
    """

    tables: tuple[Literal["readings", "adjustments", "loss_checks", "load_tickets"], ...]
    check: Check
    columns: tuple[str, ...] = ()
    null: Literal["passes", "fails"]
    value_only: bool = False
    low: float | None = None
    high: float | None = None
    above: float | None = None
    sentence: str

    @model_validator(mode="after")
    def _whole(self) -> RowRule:
        if (
            self.check in ("required", "moment", "range", "not_both_zero", "setting_range")
            and not self.columns
        ):
            raise ValueError(f"a rule that checks '{self.check}' names its columns")
        if self.check == "not_both_zero" and len(self.columns) != 2:
            raise ValueError("not_both_zero looks at exactly two columns")
        if self.check in ("moment", "range") and self.high is None:
            raise ValueError(f"a rule that checks '{self.check}' has a limit")
        if self.check == "required" and self.null != "fails":
            raise ValueError("what is required can't pass when it is empty")
        return self


@cache
def declared_row_rules() -> Mapping[str, RowRule]:
    """Row rules by code, in declared order; a row may fail several."""
    return load_declared("rules.toml", RowRule)


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
