"""The nightly run: ingest new files, refresh effects, write pages. Each part can be called alone.

``ingest_inbox`` -> ``refresh`` -> ``write_pages``; ``run_nightly`` calls them one after another. Nothing here
prints: ``say`` gets sentences for the log, ``step`` gets the progress.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from chaffinch.pipelines.errors import ChaffinchError, LakeError, NotYet
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import Delivery
from chaffinch.pipelines.night.summary import (
    EstimateSummary,
    FileOutcome,
    IngestSummary,
    NightSummary,
    file_outcome,
    refitted_sentence,
    renewed_sentence,
)
from chaffinch.pipelines.parallel.fan_out import FanOut, in_groups, side_by_side
from chaffinch.pipelines.parallel.small_files import small_files_in_processes
from chaffinch.pipelines.parallel.warm import warm_processes, warm_up
from chaffinch.pipelines.parsed import Parsed

if TYPE_CHECKING:
    from chaffinch.pipelines.estimate import Answers
    from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile
    from chaffinch.pipelines.night.plan import InboxPlan
    from chaffinch.pipelines.validate.judgement import Judgement

T = TypeVar("T")

# What is held before it is written. Delta keeps a writer open for every delivery of a commit, which costs more
# memory than its rows do where the files are small.
ROWS_PER_COMMIT = 600_000
FILES_PER_COMMIT = 64
# Judged at once: one judgement costs nearly the same for one file as for a thousand.
FILES_JUDGED = 1024

NAMES_LISTED = 8
_WITHOUT_READINGS = {
    "settings log": "adjustments",
    "loss checks": "loss checks",
    "load tickets": "load tickets",
    "trial": "planned trial",
}

Say = Callable[[str], None]
Step = Callable[[int, int, str], None]


def _silent(*_: object) -> None:
    pass


def run_nightly(
    inbox: Path,
    lake: Lake,
    site: Path,
    say: Say = _silent,
    step: Step = _silent,
    each: FanOut = side_by_side,
) -> NightSummary:
    """Ingest ``inbox``, refresh effects if their inputs changed, write the pages to ``site``.

    ``each`` spreads the work of the stages over files, field jobs and pages. If a stage fails, the others are
    still done; its sentence is in ``failed``. Raises ``CallError`` if there is no inbox.
    """
    with warm_processes():
        return _night(inbox, lake, site, say, step, each)


def _night(inbox: Path, lake: Lake, site: Path, say: Say, step: Step, each: FanOut) -> NightSummary:
    from chaffinch.pipelines.night.notify import notify

    failed: list[str] = []
    ingest, estimate, pages = IngestSummary(), None, {}
    was_there = lake.is_there()
    try:
        with lake.writing(say):
            ingest = ingest_inbox(inbox, lake, say, step, each)
            estimate = _attempt(
                failed, "Effects were not refreshed", "estimate", refresh, lake, say=say, each=each
            )
    except LakeError as error:
        failed.append(f"Not everything was ingested: {error}")
    notes = (*failed, *ingest.outside, *ingest.growing_sentences())
    if (was_there or failed or ingest.new) and not lake.is_there():
        failed.append(f"Pages were not written: there is no lake in {lake.uri}; check its storage.")
    else:
        pages = (
            _attempt(failed, "Pages were not written", "pages", write_pages, lake, site, say, notes, each)
            or {}
        )
    night = NightSummary(ingest, estimate, pages, tuple(failed))
    unsent = _attempt(
        failed,
        "The summary of this night was not sent",
        "nightly",
        lambda: notify(night, lake.farm().notify, inbox, lake, each),
    )
    return replace(night, failed=(*failed, *(unsent or ())))


def is_due(inbox: Path, lake: Lake) -> bool:
    """Whether a night has anything to ingest or to refresh. Changes nothing."""
    from chaffinch.pipelines.night.plan import plan_inbox
    from chaffinch.pipelines.night.repeated_deliveries import without_their_larger_file

    if not inbox.is_dir() or not lake.is_there() or without_their_larger_file(lake):
        return True
    plan = plan_inbox(inbox, lake)
    return bool(plan.growing) or plan.is_due(lake) or not lake.is_fresh()


def _attempt(
    failed: list[str], what: str, command: str, do: Callable[..., T], *given: Any, **named: Any
) -> T | None:
    """What ``do`` gives; None if it fails, with a sentence in ``failed``: the other stages go on."""
    try:
        return do(*given, **named)
    except Exception as error:  # noqa: BLE001  what was ingested stays, whatever happens to a later stage
        failed.append(failure(what, command, error))
        return None


def failure(what: str, command: str, error: Exception) -> str:
    """The sentence for a stage that failed, and how to see more."""
    if isinstance(error, ChaffinchError):
        return f"{what}: {error}"
    first = f"{type(error).__name__}: {error}".strip().splitlines()[0][:300]
    return f"{what}, unexpectedly ({first}). See more with: chaffinch {command} --debug"


def ingest_inbox(
    inbox: Path, lake: Lake, say: Say = _silent, step: Step = _silent, each: FanOut = side_by_side
) -> IngestSummary:
    """Ingest every new file of ``inbox``, the farm and boundaries first.

    Files that are still being written are left for the next run, unless ``each`` waits for them.
    """
    from chaffinch.pipelines.night.covered_twice import files_covered_twice
    from chaffinch.pipelines.night.plan import plan_inbox
    from chaffinch.pipelines.night.repeated_deliveries import put_out_repeated, without_their_larger_file
    from chaffinch.pipelines.work.outside_logs import rows_outside_logs

    with lake.writing(say):
        lake.strike(without_their_larger_file(lake))
        plan = plan_inbox(_found(inbox, lake, each), lake)
        if plan.few_are_new and not _hands_pages_out(each):
            # They import while this process reads what is new.
            warm_up("chaffinch.pipelines.estimate", "chaffinch.dashboards.pages.field_jobs")
        done = _ingest(plan, lake, step, each)
        if plan.growing and _only(each("wait for", _require_complete, [inbox], _name)) is None:
            plan = replace(plan_inbox(inbox, lake), known=plan.known)
            done = done.then(_ingest(plan, lake, step, each))
        superseded = plan.superseded(lake)
        lake.strike(superseded)
        if again := without_their_larger_file(lake):
            lake.strike(again)
            done = done.then(_ingest(replace(plan_inbox(inbox, lake), known=plan.known), lake, step, each))
        lake.note_names(plan.names())
        outcomes = done.outcomes
        new = {one.delivery for one in outcomes}
        outside = tuple(one.sentence for one in rows_outside_logs(lake, new))
        return IngestSummary(
            files=len(plan.files),
            new=outcomes,
            again=sum(one.delivery in plan.known for one in outcomes),
            unchanged=len(plan.files) - len(outcomes),
            same_content=plan.same_content,
            retracted=plan.retracted,
            repeated=put_out_repeated(lake, new),
            replaced=done.replaced + len(superseded),
            waiting=waiting_for_readings(lake, new),
            outside=(*outside, *files_covered_twice(lake, new, lake.uri)),
            growing=tuple(sorted({*plan.growing, *done.growing})),
            farm_fault=plan.farm_fault,
        )


def _found(inbox: Path, lake: Lake, each: FanOut) -> Path:
    """``inbox``, once it is there: the share of an inbox that was there before may be mounted again."""

    def look(folder: Path) -> Path:
        if not folder.is_dir() and lake.is_there():
            raise NotYet(f"{folder} is not there; its share may not be mounted.")
        return folder

    found = _only(each("find the inbox", look, [inbox], _name))
    return inbox if isinstance(found, NotYet) else found


def _require_complete(inbox: Path) -> None:
    """Raises ``NotYet`` while files of the inbox are still being written."""
    from chaffinch.pipelines.ingest.inbox.discover import find_files
    from chaffinch.pipelines.ingest.inbox.settled import growing

    if names := growing(find_files(inbox)):
        raise NotYet(f"{', '.join(sorted(names)[:NAMES_LISTED])}: still being written.")


@dataclass(frozen=True, slots=True)
class _Ingested:
    outcomes: tuple[FileOutcome, ...] = ()
    replaced: int = 0
    growing: tuple[str, ...] = ()

    def then(self, later: _Ingested) -> _Ingested:
        growing = tuple(name for name in self.growing if name not in {one.name for one in later.outcomes})
        return _Ingested(
            self.outcomes + later.outcomes, self.replaced + later.replaced, growing + later.growing
        )


def _ingest(plan: InboxPlan, lake: Lake, step: Step, each: FanOut) -> _Ingested:
    """Read, judge and store what is due, tier by tier."""
    from chaffinch.pipelines.night.plan import TIERS

    outcomes: list[FileOutcome] = []
    growing: list[str] = []
    replaced = 0
    for tier in TIERS:
        work = plan.due(tier, lake)
        # Workers do not need the list of all files.
        reader = replace(work, files=())
        with small_files_in_processes(reader.read, work.files, each) as reading:
            read = each("read", reading, work.files, _name)
            for batch in _batches(_ready(read, work.files, growing), work.farm):
                for _ in each("store", lake.take_in, [batch], _span_of_names):
                    pass
                outcomes.extend(file_outcome(delivery, work.farm) for delivery in batch)
                replaced += sum(len(delivery.replaces) for delivery in batch)
                step(len(outcomes), len(plan.firsts), batch[-1].name)
    return _Ingested(tuple(outcomes), replaced, tuple(growing))


def _ready(
    read: Iterator[Delivery | NotYet], files: Sequence[InboxFile], growing: list[str]
) -> Iterator[Delivery]:
    """The deliveries; the names of files that changed while they were read go to ``growing``."""
    for one, file in zip(read, files, strict=True):
        if isinstance(one, NotYet):
            growing.append(file.name)
        else:
            yield one


def _span_of_names(batch: Sequence[Delivery]) -> str:
    more = f" and {len(batch) - 1} more" if len(batch) > 1 else ""
    return f"{batch[0].name}{more}"


def _only(results: Iterator[T]) -> T:
    (only,) = results
    return only


def _name(path: Path | InboxFile) -> str:
    return path.name


def waiting_for_readings(lake: Lake, new: set[str]) -> tuple[str, ...]:
    """A sentence for each machine in ``new`` settings logs and loss checks that has no readings."""
    rows = lake.ledger().select("delivery", "name", "kind", "machines").to_dicts()
    logged = {
        machine for row in rows if row["kind"] not in _WITHOUT_READINGS for machine in row["machines"] or ()
    }
    known = ", ".join(f"'{machine}'" for machine in sorted(logged)[:NAMES_LISTED]) or "none"
    return tuple(
        f"{row['name']}: no harvest log names a machine '{machine}', so its {what} can't be used until one does. "
        f"Machines with readings: {known}; if it is one of them, add the name to its aliases in farm.toml."
        for row in rows
        if row["delivery"] in new and (what := _WITHOUT_READINGS.get(row["kind"]))
        for machine in row["machines"] or ()
        if machine not in logged
    )


def refresh(
    lake: Lake, *, forced: bool = False, say: Say = _silent, each: FanOut = side_by_side
) -> EstimateSummary:
    """Re-estimate effects if their inputs changed; ``because`` says what changed. ``forced``: in any case, and with
    nothing that is kept of earlier nights."""
    with lake.writing(say):
        if not forced and lake.is_fresh():
            return EstimateSummary(False, lake.scan("effects").collect().height)
        from chaffinch.pipelines.estimate import refresh_answers
        from chaffinch.pipelines.estimate.derived_tables import refresh_jobs
        from chaffinch.pipelines.estimate.kept.hardly_moved import moved_by
        from chaffinch.pipelines.estimate.kept.kept_rows import kept_of, season_fit_rows
        from chaffinch.pipelines.estimate.kept.kept_season import KeptSeason
        from chaffinch.pipelines.estimate.kept.unchanged_machines import Basis
        from chaffinch.pipelines.lake.delivery import KEPT_FITS
        from chaffinch.pipelines.lake.freshness import (
            as_text,
            because,
            from_text,
            inputs_of_effects,
            rows_changed,
            with_times_of,
        )
        from chaffinch.pipelines.night.changes_between_files import note_changes_between_files

        say("Estimating effects.")
        note_changes_between_files(lake)
        farm = lake.farm()
        jobs = refresh_jobs(lake, farm, each)
        lake.put_trials(jobs.trials)
        before, earlier = from_text(lake.effects_field_inputs()), lake.scan("effects").collect()
        kept = KeptSeason() if forced else kept_of(lake.scan(KEPT_FITS).collect())
        if not lake.effects_inputs():
            # A night that ended between its commits left answers of another night than what is kept.
            kept.basis = Basis()
        answers = refresh_answers(lake, farm, each, jobs, kept)
        refitted = ""
        if kept.fitted_at is not None and not kept.refreshed:
            answers = _settled(lake, answers)
            if answers.renewed:
                refitted = renewed_sentence(*moved_by(earlier, answers.effects))
        elif kept.refreshed and earlier.height:
            refitted = refitted_sentence(kept.refreshed, *moved_by(earlier, answers.effects))
        effects = with_times_of(earlier, answers.effects)
        others = {
            "responses": answers.responses,
            "loss_curves": answers.loss_curves,
            KEPT_FITS: season_fit_rows(kept),
        }
        lake.replace_effects(effects, inputs_of_effects(lake), as_text(jobs.inputs), others)
        return EstimateSummary(
            True,
            effects.height,
            because=because(before, jobs.inputs),
            moved=rows_changed(earlier, effects),
            calibrations=jobs.weighed.sentences(),
            refitted=refitted,
        )


def _settled(lake: Lake, answers: Answers) -> Answers:
    """``answers``, in which rows that hardly moved keep the numbers that they have in the lake."""
    from chaffinch.pipelines.estimate.kept.hardly_moved import (
        settled_effects,
        settled_loss_curves,
        settled_responses,
    )

    stored = {name: lake.scan(name).collect() for name in ("effects", "responses", "loss_curves")}
    return replace(
        answers,
        effects=settled_effects(stored["effects"], answers.effects, answers.unchanged),
        responses=settled_responses(stored["responses"], answers.responses, answers.unchanged),
        loss_curves=settled_loss_curves(stored["loss_curves"], answers.loss_curves),
    )


def write_pages(
    lake: Lake, site: Path, say: Say = _silent, notes: Sequence[str] = (), each: FanOut = side_by_side
) -> dict[str, Any]:
    """Write the pages of the lake to ``site``. Returns the summary of ``write_site``.

    ``notes``: sentences about this night for the morning page that are in no table.
    """
    from chaffinch.dashboards.pages.site import write_site

    say("Writing pages.")

    def write(folder: Path, spread: FanOut = side_by_side) -> dict[str, Any]:
        return dict(write_site(lake, folder, lake.farm(), notes=notes, each=spread))

    if _hands_pages_out(each):
        # Nothing can be handed to workers from inside a task.
        try:
            return write(site, each)
        except ChaffinchError as error:
            if not error.may_pass:
                raise
    written = _only(each("write", write, [site], _name))
    return {} if isinstance(written, NotYet) else written


def _hands_pages_out(each: FanOut) -> bool:
    """Whether workers on other machines do all work that can be handed out."""
    return "make pages" in getattr(each, "handed", ())


def _batches(deliveries: Iterable[Delivery], farm: Farm) -> Iterator[list[Delivery]]:
    """Judged deliveries in groups for one commit, as many judged at a time as fit into memory."""
    for group in in_groups(deliveries, lambda one: one.rows, ROWS_PER_COMMIT, FILES_JUDGED):
        judged = _judged(group, farm)
        for first in range(0, len(judged), FILES_PER_COMMIT):
            yield judged[first : first + FILES_PER_COMMIT]


def _judged_alone(name: str, parsed: Parsed, farm: Farm) -> Judgement:
    from chaffinch.pipelines.validate import judge
    from chaffinch.pipelines.validate.judgement import Judgement

    try:
        return judge([(name, parsed)], farm)[name]
    except Exception as error:  # noqa: BLE001  it is on record with the delivery
        what = f"{type(error).__name__}: {error}".splitlines()[0][:200]
        return Judgement("poor", (f"It could not be judged ({what}).",))


def _judged(batch: list[Delivery], farm: Farm) -> list[Delivery]:
    from chaffinch.pipelines.validate import judge

    read = [(d.id, d.parsed) for d in batch if d.parsed is not None]
    try:
        judgements = judge(read, farm)
    except Exception:  # noqa: BLE001  one odd delivery leaves the others their judgement
        judgements = {name: _judged_alone(name, parsed, farm) for name, parsed in read}
    return [
        replace(d, judgement=judgements[d.id].judgement, findings=judgements[d.id].findings)
        if d.id in judgements
        else replace(d, judgement="poor")
        for d in batch
    ]
