"""The seasons against which the estimator is held, each with what it tries."""

from __future__ import annotations

from dataclasses import replace

from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.simulate.scenario import (
    Effects,
    FieldPlan,
    Keeping,
    LossNoise,
    Operator,
    Scenario,
    Sensors,
)

_NOTHING = Effects(per_step_sd=0.0, between_fields_sd=0.0, zero_share=1.0)
_STRONG_DRIFT = LossNoise(slow_sd=0.38)
_DIFFER = Effects(between_machines_sd=0.15, between_fields_sd=0.25, between_changes_sd=0.10)


_NO_AIR = Effects(stated=(("fan_speed", "cleaning", 0.0), ("upper_sieve_opening", "cleaning", 0.0)))
# In every other field the fan goes up before the sieve, or the other way round; something else lies between.
_FAN_AND_SIEVE = tuple(
    (
        (45.0, ((("fan_speed", "upper_sieve_opening")[i % 2], 1),)),
        (105.0, ((("rotor_speed", "concave_clearance")[i // 2 % 2], (-1, 1)[i // 4 % 2]),)),
        (165.0, ((("upper_sieve_opening", "fan_speed")[i % 2], 1),)),
        (225.0, ((("threshing_speed", "lower_sieve_opening")[i // 2 % 2], (1, -1)[i // 8 % 2]),)),
    )
    for i in range(16)
)


def _best(level: float, rise: float) -> Effects:
    """Four settings have their best ``level`` steps up, rise x level^2 better than the start."""
    acting = (
        ("rotor_speed", "separation"),
        ("concave_clearance", "separation"),
        ("fan_speed", "cleaning"),
        ("upper_sieve_opening", "cleaning"),
    )
    return replace(_NOTHING, bowls=tuple((*one, level, rise) for one in acting))


def _fan_trial(keeping: Keeping) -> FieldPlan:
    """Two fan speeds in three mirrored blocks of four steps."""
    return FieldPlan("fan_speed", (0, -1, -1, 0, -1, 0, 0, -1, 0, -1, -1, 0), minutes=10.0, keeping=keeping)


def _listed() -> tuple[Scenario, ...]:
    return (
        Scenario(
            "plain", "Quiet season: noise of half a minute and of 25 minutes, adjustments at random times."
        ),
        Scenario(
            "strong_drift",
            "Loss drifts by a third over half an hour for no logged reason.",
            noise=_STRONG_DRIFT,
        ),
        Scenario(
            "reactive",
            "Settings are changed just when loss has spiked; the changes have true effects.",
            operator=Operator(reactive=True),
        ),
        Scenario(
            "reactive_null",
            "Settings are changed just when loss has spiked; no change has any effect.",
            operator=Operator(reactive=True),
            effects=_NOTHING,
        ),
        Scenario(
            "speed_up",
            "The driver goes about 8 % faster after each adjustment.",
            operator=Operator(speed_change_log=0.08),
        ),
        Scenario(
            "slow_down",
            "The driver goes about 8 % slower after each adjustment.",
            operator=Operator(speed_change_log=-0.08),
        ),
        Scenario(
            "moisture_falls", "The grain gets drier within minutes of each adjustment.", moisture_drop_pct=0.9
        ),
        Scenario(
            "joint_always",
            "The same groups of settings always change together.",
            operator=Operator(joint_share=1.0, there_and_back_share=0.0),
        ),
        Scenario(
            "joint_sometimes",
            "Groups of settings change together half of the time, and singly otherwise.",
            operator=Operator(joint_share=0.5),
        ),
        Scenario("fade_in", "Effects come in over some five minutes.", effects=Effects(fade_in_s=150.0)),
        Scenario(
            "short_runs",
            "Adjustments follow one another after 6 to 10 minutes.",
            adjustments=10,
            operator=Operator(gap_minutes=(6.0, 10.0)),
        ),
        Scenario(
            "trials",
            "Each field has a planned trial; operators follow their plan, drift from it, or abandon it in turn.",
            hours=2.5,
            operator=Operator(trials=(_fan_trial("follows"), _fan_trial("drifts"), _fan_trial("abandons"))),
        ),
        Scenario("one_adjustment", "One adjustment a field.", adjustments=1),
        Scenario(
            "many_adjustments",
            "Twenty adjustments a field.",
            adjustments=20,
            operator=Operator(gap_minutes=(6.0, None)),
        ),
        Scenario("unlogged", "Two further adjustments a field are in no log.", operator=Operator(unlogged=2)),
        Scenario(
            "wrong_clock",
            "The clock of each settings log is wrong by 2 to 6 minutes.",
            operator=Operator(clock_off_minutes=(2.0, 6.0)),
        ),
        Scenario(
            "to_the_minute",
            "The settings log gives times to the minute.",
            operator=Operator(rounded_to_minutes=1),
        ),
        Scenario(
            "to_five_minutes",
            "The settings log gives times to five minutes.",
            operator=Operator(rounded_to_minutes=5),
        ),
        Scenario(
            "to_ten_minutes",
            "The settings log gives times to ten minutes.",
            operator=Operator(rounded_to_minutes=10),
        ),
        Scenario(
            "by_hand",
            "The settings log is written up to 7 minutes later, to five minutes.",
            operator=Operator(late_minutes=(0.0, 7.0), rounded_to_minutes=5),
        ),
        Scenario(
            "written_later",
            "The settings log is written up to 7 minutes later, with exact times.",
            operator=Operator(late_minutes=(0.0, 7.0)),
        ),
        Scenario(
            "slow_ramp",
            "A setting moves over eight minutes and is logged as one moment.",
            effects=Effects(ramp_minutes=8.0),
        ),
        Scenario(
            "slower_ramp",
            "A setting moves over ten minutes and is logged as one moment.",
            effects=Effects(ramp_minutes=10.0),
        ),
        Scenario(
            "saturating",
            "Loss sensors stop at a ceiling.",
            sensors=Sensors(ceiling_quantile=0.85),
            answerable=False,
        ),
        Scenario("quantised", "Loss sensors show few, coarse steps.", sensors=Sensors(quantum=5.0)),
        Scenario(
            "dead_band",
            "Loss sensors show nothing below half of the usual loss, and coarse integers above.",
            sensors=Sensors(dead_band=0.5, quantum=1.0),
            answerable=False,
        ),
        Scenario(
            "bent",
            "Loss signals go with the loss to the power of 0.7; six loss checks a field.",
            sensors=Sensors(exponent=0.7),
            loss_checks=6,
        ),
        Scenario(
            "gain_moves",
            "Fan and upper sieve move only the gain of the cleaning loss sensor; three loss checks on each side.",
            checks_each_side=3,
            sensors=Sensors(
                gain_moves=(("fan_speed", "cleaning", -0.25), ("upper_sieve_opening", "cleaning", -0.25))
            ),
            operator=Operator(script=_FAN_AND_SIEVE),
            effects=_NO_AIR,
        ),
        Scenario(
            "dropouts", "Loss sensors drop out for seconds to a minute.", sensors=Sensors(dropout_share=0.04)
        ),
        Scenario(
            "gain_step",
            "The gain of a loss sensor jumps once in half of the fields.",
            sensors=Sensors(gain_step_share=0.3),
        ),
        Scenario(
            "re_zeroed",
            "The zero of a loss sensor drifts in half of the fields, until it is set again.",
            sensors=Sensors(zero_drift_share=0.3),
        ),
        Scenario(
            "ground_drift",
            "Unexplained loss is bound to the ground, so neighbouring passes share it.",
            noise=LossNoise(slow_sd=0.0, ground_sd=0.3),
        ),
        Scenario(
            "one_over_f",
            "Noise without a time scale: 1/f from seconds to hours.",
            noise=LossNoise(fast_sd=0.0, slow_sd=0.0, many_scales_sd=0.4),
        ),
        Scenario("bursts", "Loss rises for minutes now and then.", noise=LossNoise(bursts_per_hour=3.0)),
        Scenario(
            "bad_patch",
            "Settings are changed within a minute after the machine ran into a bad patch; others lie elsewhere.",
            noise=LossNoise(patches_per_hour=0.4),
            operator=Operator(into_patch_share=1.0),
            answerable=False,
        ),
        Scenario(
            "evening_dew",
            "The straw gets tough in the evening, and in half of the fields a setting is changed just then.",
            start_hours=(14.0, 17.0),
            noise=LossNoise(dew_log=0.5),
            operator=Operator(at_regime_share=0.5),
        ),
        Scenario(
            "headland_rounds",
            "The headlands are cut first, at more loss; in half of the fields a setting is changed as they end.",
            headland_minutes=40.0,
            noise=LossNoise(headland_log=0.4),
            operator=Operator(at_regime_share=0.5),
        ),
        Scenario(
            "slope_direction",
            "Cleaning loss rises uphill and falls downhill, separation loss the other way.",
            noise=LossNoise(uphill_log_per_deg=0.08),
        ),
        Scenario(
            "steers_by_loss",
            "The driver goes slower where the loss monitor shows more, and faster where it shows less.",
            operator=Operator(steers_by_loss=0.3),
        ),
        Scenario("heavy_tails", "Single seconds lie far out.", noise=LossNoise(tail_sd=0.4)),
        Scenario(
            "flow_delay", "Sensor delays shorten as flow rises.", sensors=Sensors(delay_flow_exponent=0.4)
        ),
        Scenario("interval_2s", "The log has one row every 2 s.", interval_s=2),
        Scenario("interval_5s", "The log has one row every 5 s.", interval_s=5),
        Scenario(
            "curve_exponential", "Log loss share rises in proportion to feed rate.", curve="exponential"
        ),
        Scenario(
            "curve_power",
            "Loss share rises as a steep power of feed rate.",
            separation_steepness=(3.0, 4.0),
            cleaning_steepness=(2.5, 3.5),
        ),
        Scenario(
            "curve_quadratic",
            "Loss share is a floor plus the square of feed rate.",
            curve="quadratic",
            separation_steepness=(1.2, 1.8),
            cleaning_steepness=(1.0, 1.6),
        ),
        Scenario(
            "two_in_a_field",
            "Two machines cut each field and share half of the variance of unexplained loss.",
            two_in_a_field=True,
        ),
        Scenario("two_fields", "Two field jobs are all there is.", fields=2, machines=2),
        Scenario(
            "twenty_machines",
            "Twenty machines in two fields each.",
            fields=40,
            machines=20,
            hours=3.0,
            adjustments=3,
        ),
        Scenario("no_effect", "No adjustment has any effect.", effects=_NOTHING),
        Scenario(
            "straw_varies", "Straw per grain varies over the ground and is not measured.", straw_sd=0.12
        ),
        Scenario(
            "unequal_gains", "The two loss sensors are not alike in gain.", sensors=Sensors(gain_spread=0.4)
        ),
        Scenario(
            "two_drums",
            "Drums of two diameters: a step of threshing speed does more on the larger one.",
            drum_diameters_m=(0.45, 0.75),
        ),
        Scenario("effects_differ", "Effects differ between machines, fields and changes.", effects=_DIFFER),
        *(
            Scenario(
                f"effects_differ_{few}",
                f"Effects differ between machines, fields and changes; there are {few} field jobs.",
                fields=few,
                machines=min(few, 3),
                effects=_DIFFER,
            )
            for few in (2, 3, 6)
        ),
        Scenario(
            "up_back_up",
            "One field, one setting: up, back and up again.",
            fields=1,
            machines=1,
            adjustments=3,
            operator=Operator(there_and_back_share=1.0),
            effects=replace(_DIFFER, zero_share=0.1),
        ),
        Scenario(
            "odd_field",
            "Effects in one field are unlike those in the others.",
            effects=Effects(odd_fields=1),
        ),
        Scenario(
            "effects_by_conditions",
            "What a step does grows with feed rate and moisture.",
            effects=Effects(by_log_feed=0.8, by_moisture=0.15),
        ),
        Scenario(
            "interaction",
            "What a setting does depends on where another one stands.",
            effects=Effects(
                interactions=(
                    ("fan_speed", "upper_sieve_opening", "cleaning", -0.1),
                    ("rotor_speed", "concave_clearance", "separation", 0.1),
                    ("threshing_speed", "concave_clearance", "separation", 0.1),
                )
            ),
        ),
        Scenario(
            "best_inside",
            "Four settings have a best value among those tried; no other does anything.",
            effects=_best(1.0, 0.12),
        ),
        Scenario(
            "best_outside",
            "Four settings have a best value beyond those tried; no other does anything.",
            effects=_best(6.0, 0.025),
        ),
        Scenario(
            "everything",
            "Drift, reaction, joint changes, faults and three crops at once.",
            crops=("wheat", "barley", "canola"),
            straw_sd=0.08,
            noise=replace(_STRONG_DRIFT, bursts_per_hour=1.0, tail_sd=0.2, ground_sd=0.1),
            sensors=Sensors(
                delay_flow_exponent=0.3, dropout_share=0.01, gain_step_share=0.1, gain_spread=0.2
            ),
            operator=Operator(reactive=True, joint_share=0.2, unlogged=1),
        ),
    )


SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _listed()}


def scenario_named(name: str) -> Scenario:
    """The scenario of that name; ``CallError`` listing all names if there is none."""
    if name not in SCENARIOS:
        raise CallError(f"There is no scenario '{name}'. There are: {', '.join(SCENARIOS)}.")
    return SCENARIOS[name]
