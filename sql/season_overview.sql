-- One row per field job (machine and field; machine and day where no field is known): when, how much, which verdicts.
--
-- field_jobs : machine, field, day, crop, first_time, last_time, readings; one row per harvest
-- effects    : scope, machine, field, time, setting, joint_id, outcome, verdict
--
-- Verdicts are those on separation and cleaning loss. A joint change has a row per setting in effects; it counts once.

with jobs as (
    select
        machine,
        field,
        try_cast(day as date) as day,
        arg_max(crop, readings) as crop,
        min(first_time) as first_time,
        max(last_time) as last_time,
        sum(readings)::bigint as readings
    from field_jobs
    group by machine, field, day
),

judged as (
    select
        machine,
        field,
        min(time)::date as day,
        outcome,
        any_value(verdict) as verdict
    from effects
    where scope = 'adjustment' and outcome in ('separation_loss', 'cleaning_loss')
    group by machine, field, coalesce(joint_id, concat(setting, ' ', time)), outcome
)

select
    jobs.*,
    count(*) filter (judged.outcome = 'separation_loss') as changes,
    count(*) filter (judged.verdict = 'less') as less,
    count(*) filter (judged.verdict = 'more') as more,
    count(*) filter (judged.verdict = 'no clear change') as no_clear_change,
    count(*) filter (judged.verdict = 'cannot tell') as cannot_tell
from jobs
left join judged
    on jobs.machine = judged.machine
    and jobs.field is not distinct from judged.field
    and (jobs.day is null or jobs.day = judged.day)
group by all
