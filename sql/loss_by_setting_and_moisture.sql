-- One row per machine, crop, setting, value and band of grain moisture: hours of steady work, feed rate and loss.
--
-- work      : job, machine, crop, time, usable, feed_rate_t_h, aligned losses and moisture, and a column per setting
-- catalogue : setting, in_column, unit
--
-- It shows what was logged and proves nothing: people change a setting because loss has risen, and dry grain comes
-- at other hours of the day. What a change did to loss is in effects.

with steady as (
    select
        -- what is left are the settings, with job, machine, crop and feed rate
        * exclude (
            field, time, made_from, delivery, file, row, pass_number, pass_kind, work_class, usable, unused_because,
            reason, effective_width_m, side_slope_pct, separation_loss_aligned, cleaning_loss_aligned,
            moisture_aligned_pct, speed_m_s, pitch_deg, roll_deg, grain_flow_kg_s, grain_moisture_pct
        ),
        coalesce(separation_loss_aligned, 0) + coalesce(cleaning_loss_aligned, 0) as loss,
        2 * floor(moisture_aligned_pct / 2) as moisture_from_pct,
        epoch(time - lag(time) over (partition by job order by time)) as gap_s
    from work
    where
        usable = 1
        and feed_rate_t_h > 0
        and moisture_aligned_pct is not null
        and coalesce(separation_loss_aligned, cleaning_loss_aligned) is not null
),

jobs as (
    select
        job,
        sum(loss) / sum(feed_rate_t_h) as loss_per_feed,
        coalesce(median(gap_s) filter (gap_s > 0), 1.0) as interval_s
    from steady
    group by job
),

combinations as (
    select
        * exclude (gap_s, loss, feed_rate_t_h),
        count(*) as readings,
        sum(loss) as loss,
        sum(feed_rate_t_h) as feed
    from steady
    group by all
),

in_force as (
    unpivot (
        select
            job, machine, crop, moisture_from_pct, readings, loss, feed,
            columns(* exclude (job, machine, crop, moisture_from_pct, readings, loss, feed))::varchar
        from combinations
    )
    on columns(* exclude (job, machine, crop, moisture_from_pct, readings, loss, feed))
    into name in_column value value
)

select
    machine,
    crop,
    setting,
    regexp_replace(value, '\.0$', '') as value,
    unit,
    moisture_from_pct,
    moisture_from_pct + 2 as moisture_to_pct,
    count(distinct job) as field_jobs,
    sum(readings * interval_s) / 3600 as hours,
    sum(feed) / sum(readings) as feed_rate_t_h,
    sum(loss) / nullif(sum(feed * loss_per_feed), 0) as loss_ratio
from in_force
inner join catalogue using (in_column)
inner join jobs using (job)
group by machine, crop, setting, value, unit, moisture_from_pct
