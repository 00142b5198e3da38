"""The usual value of a setting in a crop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from chaffinch.pipelines.agronomy.exact import FOOT_M
from chaffinch.pipelines.agronomy.tip_speed import speed_rpm
from chaffinch.schemas.declarations import Setting, crops


@dataclass(frozen=True, slots=True)
class Usual:
    """words : as shown. source : where it is from. positions, low, high : what counts as usual."""

    words: str
    source: str
    positions: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None

    def outside(self, hours: Mapping[str, float]) -> str | None:
        """``yes``, ``part of the time`` or ``no``: whether the hours were outside the usual; None if unknown."""
        if not self.positions and self.low is None:
            return None
        apart = sum(spent for value, spent in hours.items() if not self._holds(value))
        whole = sum(hours.values())
        if whole <= 0 or apart <= 0:
            return "no" if whole > 0 else None
        return "yes" if apart >= 0.95 * whole else "part of the time"

    def _holds(self, value: str) -> bool:
        if self.positions:
            return value in self.positions
        try:
            number = float(value.split(" ")[0])
        except ValueError:
            return True
        return self.low is not None and self.high is not None and self.low <= number <= self.high


def usual_position(
    setting: Setting, crop: str | None, drum_diameter_m: float | None, units: str
) -> Usual | None:
    """The usual position of ``setting`` in ``crop``; None where common practice is not declared.

    A drum's usual speed is one of its tip; in rpm only for a drum whose diameter is stated.
    """
    if crop is None:
        return None
    positions = setting.usual_positions(crop)
    if positions:
        note = f". {setting.usual_note}" if setting.usual_note else ""
        return Usual(" or ".join(positions), f"{setting.usual_source}{note}", positions)
    known = crops().get(crop)
    if (
        setting.tip_of != "drum"
        or known is None
        or known.tip_speed_low_m_s is None
        or known.tip_speed_high_m_s is None
    ):
        return None
    low, high = known.tip_speed_low_m_s, known.tip_speed_high_m_s
    scale, unit = (60 / FOOT_M, "ft/min") if units == "us" else (1.0, "m/s")
    tip = f"{low * scale:.3g} to {high * scale:.3g} {unit} at the tip"
    if units == "us":
        tip = f"{low * scale:,.0f} to {high * scale:,.0f} {unit} at the tip"
    source = known.sources.get("tip_speed_low_m_s", "")
    if drum_diameter_m is None:
        return Usual(f"{tip}; state the drum's diameter in farm.toml to compare", source)
    least, most = (float(speed_rpm(v, drum_diameter_m)) for v in (low, high))
    return Usual(f"{least:.0f} to {most:.0f} rpm ({tip})", source, (), least, most)
