"""What a made-up season is: every knob of the simulator, frozen, with units in the names."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Curve = Literal["power", "exponential", "quadratic"]
Span = tuple[float, float]
Script = tuple[tuple[float, tuple[tuple[str, int], ...]], ...]
"""The adjustments of one field: (minute, ((setting, steps), ...)), ..."""

Keeping = Literal["follows", "drifts", "abandons"]
"""How an operator keeps to a plan."""

REFERENCE_DRUM_M = 0.60


@dataclass(frozen=True)
class LossNoise:
    """Unexplained variation of the log loss share. Every ``_sd`` is on the natural-log scale, per loss.

    fast, slow : exponential correlation exp(-lag / scale) over time.
    white_sd : independent from second to second.
    shared : share of the variance common to separation and cleaning loss, 0 to 1.
    tail_sd : Student t with 3 degrees of freedom, second to second, scaled to this standard deviation.
    many_scales_sd : 1/f-like: equal parts of exponential correlations at octaves from 5 s to about 6 h.
    bursts_per_hour, burst_log : minutes-long rises of exponentially distributed height, mean ``burst_log``.
    ground_sd, ground_length_m : drift bound to the ground, so that neighbouring passes share it.
    patches_per_hour, patch_log, patch_minutes : bad patches of the crop, of both losses, how high and how long.
    dew_log, dew_hour : in the evening the straw gets tough within half an hour, which the grain's moisture hardly
        shows; when that begins, hours of the day. Separation loss rises by it, cleaning loss by half of it.
    headland_log : how much higher loss is on the headlands that are cut first.
    uphill_log_per_deg : cleaning loss rises by it for each degree uphill and falls downhill; separation loss the
        other way by half of it.
    """

    fast_sd: float = 0.30
    fast_scale_s: float = 30.0
    slow_sd: float = 0.15
    slow_scale_s: float = 1500.0
    white_sd: float = 0.10
    shared: float = 0.3
    tail_sd: float = 0.0
    many_scales_sd: float = 0.0
    bursts_per_hour: float = 0.0
    burst_log: float = 0.8
    ground_sd: float = 0.0
    ground_length_m: float = 80.0
    patches_per_hour: float = 0.0
    patch_log: Span = (0.3, 0.7)
    patch_minutes: Span = (8.0, 25.0)
    dew_log: float = 0.0
    dew_hour: Span = (19.0, 20.5)
    headland_log: float = 0.0
    uphill_log_per_deg: float = 0.0


@dataclass(frozen=True)
class Sensors:
    """How the machine sees its own crop. Delays count from the cutter bar; spans are drawn per machine.

    delay_flow_exponent : dead time times (feed / rated feed) ** -exponent; 0 = constant.
    flow_noise : relative standard deviation of one second of grain flow.
    flow_bias_sd : log standard deviation of the machine's calibration factor.
    counts_per_kg : kernels that strike a loss sensor for each kg lost: counting noise is Poisson in them.
    gain_per_kg_s : loss signal for 1 kg/s lost. gain_spread : log standard deviation of each sensor's gain.
    ceiling_quantile : signal cut off at this quantile of the field's working values; 1 = never.
    dead_band : the sensor shows only what is above this share of the field's usual (median) signal; 0 = all.
    exponent : the signal goes with this power of the loss.
    quantum : the loss signals come in steps of this; 0 = as counted.
    dropout_share : share of time in which a loss sensor shows zero or nothing, for 3 to 60 s at a time.
    gain_moves : a step of a setting moves the gain of a loss's sensor: (setting, loss, ln gain of one step up).
    gain_step_share, gain_step_log : share of field jobs in which a loss sensor's gain jumps once, and
        by how much (natural log, either sign).
    zero_drift_share, zero_drift : share of field jobs in which a loss sensor's zero drifts, by up to this part of its
        usual (median) signal, until it is set again once.
    """

    loss_delay_s: Span = (6.0, 8.0)
    grain_delay_s: Span = (10.0, 14.0)
    moisture_delay_s: Span = (15.0, 20.0)
    loss_smear_s: Span = (1.5, 2.5)
    grain_smear_s: Span = (2.0, 4.0)
    moisture_smear_s: Span = (5.0, 10.0)
    delay_flow_exponent: float = 0.0
    flow_noise: float = 0.04
    flow_bias_sd: float = 0.04
    counts_per_kg: float = 1500.0
    gain_per_kg_s: float = 300.0
    gain_spread: float = 0.0
    ceiling_quantile: float = 1.0
    dead_band: float = 0.0
    exponent: float = 1.0
    quantum: float = 0.0
    dropout_share: float = 0.0
    gain_moves: tuple[tuple[str, str, float], ...] = ()
    gain_step_share: float = 0.0
    gain_step_log: float = 0.5
    zero_drift_share: float = 0.0
    zero_drift: float = 0.3


@dataclass(frozen=True)
class FieldPlan:
    """A planned trial in one field, and how its operator keeps to the plan.

    levels : of each planned step, in steps of the setting from its start. minutes : length of a step. lead_minutes :
        from the start of work to the first step. tell_percent : the change of loss that the plan should detect.
    keeping : ``follows`` it to the minute; ``drifts``: switches late, forgets switches, touches something else;
        ``abandons`` it half way.
    """

    setting: str
    levels: tuple[int, ...]
    minutes: float
    lead_minutes: float = 6.0
    tell_percent: float = 15.0
    keeping: Keeping = "follows"


@dataclass(frozen=True)
class Operator:
    """When and how the operator adjusts.

    gap_minutes : least and greatest time between adjustments; greatest None = spread over the field.
    reactive : adjusts just after loss of the past 2 min has spiked above the past 20 min's, allowing for the
        feed rate (operators know that more crop means more loss).
    into_patch_share : share of adjustments that are made within a minute after the machine ran into a bad patch.
    at_regime_share : share of fields in which an adjustment is made within five minutes of the start of a regime:
        the dew, or the end of the headlands.
    steers_by_loss : the driver goes slower where the loss monitor shows more: power of the loss of the past 20 s
        against that of the past 20 min by which he divides his speed.
    speed_change_log : natural log of the factor by which the target speed changes at each adjustment.
    joint_share : share of adjustments that move a whole group of settings within 30 s.
    there_and_back_share : share of adjustments that undo the one before (A-B-A).
    unlogged : further adjustments a field that no log has.
    script : instead of chance, what is moved in each field (by its number): for each adjustment the minute
        and the settings with their steps. Fields beyond its end are left to chance. Minutes are those of an
        unchanging speed: a speed change at one adjustment shifts the next.
    trials : the planned trial of each field by its number, None for none; after the last the first comes again. A
        field with a trial has no adjustments but those of the trial and of its script.
    clock_off_minutes : the settings log is off by this, least and greatest, either sign, fixed per machine.
    late_minutes : each row is written down so much after the change, least and greatest.
    rounded_to_minutes : times are written to the nearest so many minutes; 0 = to the second.
    """

    gap_minutes: tuple[float, float | None] = (20.0, None)
    reactive: bool = False
    into_patch_share: float = 0.0
    at_regime_share: float = 0.0
    steers_by_loss: float = 0.0
    speed_change_log: float = 0.0
    joint_share: float = 0.0
    there_and_back_share: float = 0.15
    unlogged: int = 0
    script: tuple[Script, ...] = ()
    trials: tuple[FieldPlan | None, ...] = ()
    clock_off_minutes: Span = (0.0, 0.0)
    late_minutes: Span = (0.0, 0.0)
    rounded_to_minutes: int = 0


@dataclass(frozen=True)
class Effects:
    """True effects of one step of a setting, on the natural-log scale.

    per_step_sd : of the season's mean effect of a setting on a loss it acts on.
    zero_share : share of those that are exactly nothing.
    between_machines_sd, between_fields_sd, between_changes_sd : how far a machine's effect of one step lies from the
        season's mean, a field's from its machine's, a single change's from its field's (non-zero ones only).
    odd_fields, odd_sd : the first so many fields have effects unlike the others': ``odd_sd`` between fields.
    by_log_feed, by_moisture : a step does (1 + by_log_feed x ln(feed / rated) + by_moisture x points above the
        curve's) times its effect on a loss; the truth refers to the field's mean conditions.
    bowls : effects that have a best value: (setting, loss, level of the best, ln ratio one step away from it), a
        parabola. Levels count steps from the start; it is added to what a step does.
    interactions : (setting, other setting, loss, ln ratio that one step of each together adds to what they do alone).
    fade_in_s : time constant with which an effect comes in; 0 = at once.
    ramp_minutes : a setting moves evenly over so long from its logged moment on; 0 = at once.
    stated : season's mean effects that are given instead of drawn: (setting, what it acts on, ln ratio);
        every other effect of such a setting is 0.
    """

    per_step_sd: float = 0.3
    zero_share: float = 0.25
    between_machines_sd: float = 0.0
    between_fields_sd: float = 0.08
    between_changes_sd: float = 0.0
    odd_fields: int = 0
    odd_sd: float = 0.8
    by_log_feed: float = 0.0
    by_moisture: float = 0.0
    bowls: tuple[tuple[str, str, float, float], ...] = ()
    interactions: tuple[tuple[str, str, str, float], ...] = ()
    fade_in_s: float = 0.0
    ramp_minutes: float = 0.0
    stated: tuple[tuple[str, str, float], ...] = ()


@dataclass(frozen=True)
class Scenario:
    """A season. ``hours`` is per field job, ``adjustments`` too; ``interval_s`` is that of the log.

    curve, separation_steepness, cleaning_steepness : log loss share on feed rate; steepness is its slope
        d ln(share) / d ln(feed) at the rated feed rate, drawn per field job.
    loss_checks : weighed pans a field job at any time. checks_each_side : more of them before and after
        each logged change, within a quarter of an hour.
    moisture_drop_pct : the grain gets this much drier within minutes of each adjustment.
    straw_sd : log standard deviation over the ground of straw per grain, which loads the machine unseen.
    drum_diameters_m : diameters of the machines' threshing drums in turn; empty: all alike and stated nowhere.
        Threshing acts by tip speed: the effects of one step of threshing speed are those on a drum of
        ``REFERENCE_DRUM_M``, in proportion on another.
    start_hours : when work in a field begins, hours of the day, UTC.
    headland_minutes : so long the machine first cuts the headlands, across the later passes; 0 = not at all.
    two_in_a_field : two machines cut each field, and half of the variance of their unexplained loss is common.
    answerable : False where the logs can't show the effects, so that refusals are right.
    """

    name: str
    description: str
    fields: int = 16
    hours: float = 5.0
    machines: int = 4
    interval_s: Literal[1, 2, 5] = 1
    adjustments: int = 4
    crops: tuple[str, ...] = ("wheat",)
    year: int = 2026
    curve: Curve = "power"
    separation_steepness: Span = (1.6, 2.6)
    cleaning_steepness: Span = (1.2, 2.0)
    yield_sd: float = 0.16
    straw_sd: float = 0.0
    moisture_drop_pct: float = 0.0
    loss_checks: int = 1
    checks_each_side: int = 0
    drum_diameters_m: tuple[float, ...] = ()
    start_hours: Span = (9.0, 13.0)
    headland_minutes: float = 0.0
    two_in_a_field: bool = False
    answerable: bool = True
    noise: LossNoise = field(default_factory=LossNoise)
    sensors: Sensors = field(default_factory=Sensors)
    operator: Operator = field(default_factory=Operator)
    effects: Effects = field(default_factory=Effects)
