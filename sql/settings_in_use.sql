-- One row per field job, setting and value: how long the machine did steady work with the setting at that value.
--
-- work      : job, machine, field, crop, time, usable, and a column per setting in force, null where unknown
-- catalogue : setting, in_column, unit
--
-- A column with more than 12 values in a job is a measured speed that wanders, not a set value: it is left out.

with steady as (
    select
        -- what is left are the settings
        * exclude (
            made_from, delivery, file, row, pass_number, pass_kind, work_class, usable, unused_because, reason,
            effective_width_m, side_slope_pct, feed_rate_t_h, separation_loss_aligned, cleaning_loss_aligned,
            moisture_aligned_pct, speed_m_s, pitch_deg, roll_deg, grain_flow_kg_s, grain_moisture_pct
        ),
        epoch(time - lag(time) over (partition by job order by time)) as gap_s
    from work
    where usable = 1
),

-- Settings change rarely: readings are counted per combination of all of them first, then each is taken alone.
combinations as (
    select
        * exclude (time, gap_s),
        count(*) as readings,
        min(time) as first_time,
        max(time) as last_time
    from steady
    group by all
),

in_force as (
    unpivot (
        select
            job, machine, field, crop, readings, first_time, last_time,
            columns(* exclude (job, machine, field, crop, readings, first_time, last_time))::varchar
        from combinations
    )
    on columns(* exclude (job, machine, field, crop, readings, first_time, last_time))
    into name in_column value value
),

at_value as (
    select
        job, machine, field, crop, in_column,
        regexp_replace(value, '\.0$', '') as value,
        sum(readings) as readings,
        min(first_time) as first_time,
        max(last_time) as last_time
    from in_force
    group by all
),

set_values as (
    select * from at_value
    qualify count(*) over (partition by job, in_column) <= 12
),

intervals as (
    select
        job,
        coalesce(median(gap_s) filter (gap_s > 0), 1.0) as interval_s
    from steady
    group by job
)

select
    job, machine, field, crop, setting, value, unit,
    readings * interval_s / 3600 as hours,
    first_time,
    last_time
from set_values
inner join catalogue using (in_column)
inner join intervals using (job)
