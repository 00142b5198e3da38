"""The row rules of ``rules.toml``, checked and handed out as frozen objects."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Literal

from chaffinch.schemas.declarations import _Declared, load_declared
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
