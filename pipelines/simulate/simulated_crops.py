"""What the simulator needs to know of a crop and of the settings an operator moves in it.

All numbers are round figures of common practice, no source: they shape a plausible season and are not used
as check values anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SimulatedCrop:
    """``rated_feed_kg_s``: grain feed rate at which a 9 m machine shows its base loss shares."""

    yield_t_ha: float
    rated_feed_kg_s: float
    straw_per_grain: float
    dry_pct: float
    damp_pct: float
    separation_share: float
    cleaning_share: float
    broken_pct: float
    thousand_kernel_mass_g: float


CROPS = {
    "wheat": SimulatedCrop(8.0, 11.0, 0.9, 13.2, 17.0, 0.008, 0.006, 0.8, 42.0),
    "barley": SimulatedCrop(7.0, 9.5, 0.8, 12.8, 16.5, 0.009, 0.007, 0.6, 45.0),
    "canola": SimulatedCrop(3.6, 5.0, 2.2, 7.5, 11.0, 0.007, 0.012, 0.3, 4.0),
}


@dataclass(frozen=True, slots=True)
class Adjustable:
    """A setting of the catalogue as the simulated operator moves it.

    ``positions`` (lowest first) make it a setting of words; else ``start``, ``step``, ``low``, ``high`` are
    in ``unit``. ``acts_on``: outcomes that one step may change.
    """

    setting: str
    kind: str
    acts_on: tuple[str, ...]
    unit: str = ""
    start: float = 0.0
    step: float = 1.0
    low: float = 0.0
    high: float = 1.0
    positions: tuple[str, ...] = ()

    def text(self, level: int) -> str:
        """The set value as a log would write it; ``level`` counts steps from the start (words: position)."""
        if self.positions:
            return self.positions[level]
        return f"{self.start + level * self.step:g}"

    def allows(self, level: int) -> bool:
        """Whether the setting can be moved to that level."""
        if self.positions:
            return 0 <= level < len(self.positions)
        return self.low <= self.start + level * self.step <= self.high


ADJUSTABLES = {
    a.setting: a
    for a in (
        Adjustable(
            "threshing_speed", "number", ("separation", "cleaning", "broken"), "rpm", 900, 50, 600, 1200
        ),
        Adjustable("concave_clearance", "number", ("separation", "cleaning", "broken"), "mm", 14, 2, 6, 30),
        Adjustable("rotor_speed", "number", ("separation", "cleaning"), "rpm", 850, 50, 500, 1100),
        Adjustable("fan_speed", "number", ("cleaning",), "rpm", 1050, 50, 600, 1400),
        Adjustable("upper_sieve_opening", "number", ("cleaning", "returns"), "mm", 14, 2, 6, 24),
        Adjustable("lower_sieve_opening", "number", ("cleaning", "returns"), "mm", 8, 1, 3, 15),
        Adjustable("de_awning_plates", "either_or", ("separation", "cleaning"), positions=("off", "on")),
        Adjustable("side_slope_compensation", "either_or", ("cleaning",), positions=("off", "on")),
        Adjustable("feeder_drum_position", "ordered", ("separation",), positions=("lower", "upper")),
        Adjustable("chopper_speed", "either_or", ("fuel",), positions=("low", "high")),
        Adjustable("spreader_speed", "either_or", (), positions=("low", "high")),
    )
}

JOINT_GROUPS = (
    ("fan_speed", "upper_sieve_opening"),
    ("threshing_speed", "concave_clearance"),
    ("fan_speed", "upper_sieve_opening", "lower_sieve_opening"),
)
"""Settings that operators move together; all go the same number of steps up or down."""
