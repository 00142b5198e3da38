-- One row per reading, with the state of every setting of its machine at that moment.
--
-- readings     : machine, time, and whatever else
-- adjustments  : machine, time, row, setting, from_value, to_value
-- Returns the readings' columns, settings (list of structs: setting, value) and settings_since (moment of the last change).
--
-- Times are as logged. work has the settings by the clock of the harvest log, and answers questions faster.
-- Tie rule: of two changes of one setting at one moment the later row counts.
-- Before the first change of a setting its from_value holds, where it is known.

with changes as (
    select
        machine,
        setting,
        time,
        arg_max(to_value, "row") as value
    from adjustments
    where to_value is not null
    group by machine, setting, time
),

beginnings as (
    select
        machine,
        setting,
        timestamptz '0001-01-01 00:00:00+00' as time,
        arg_min(from_value, (time, "row")) as value
    from adjustments
    where to_value is not null
    group by machine, setting
),

known as (
    select * from changes
    union all
    select * from beginnings where value is not null
),

moments as (
    select distinct machine, time from known
),

settings_of_machine as (
    select distinct machine, setting from known
),

each_setting_at_each_moment as (
    select
        moments.machine,
        moments.time,
        settings_of_machine.setting
    from moments
    inner join settings_of_machine using (machine)
),

state as (
    select
        asked.machine,
        asked.time,
        list(struct_pack(setting := asked.setting, value := known.value) order by asked.setting) as settings
    from each_setting_at_each_moment as asked
    asof inner join known
        on asked.machine = known.machine
        and asked.setting = known.setting
        and asked.time >= known.time
    group by asked.machine, asked.time
),

joined as (
    select
        readings.*,
        state.settings,
        nullif(state.time, timestamptz '0001-01-01 00:00:00+00') as settings_since
    from readings
    asof left join state
        on readings.machine = state.machine
        and readings.time >= state.time
)

select * from joined
