"""The nightly run: take in what is new, refresh effects, rewrite pages. Each part can be called by itself.

``take_in_inbox`` -> ``refresh`` -> ``write_pages``; ``run_nightly`` calls them one after another. Nothing
here prints: ``say`` gets sentences for the log, ``step`` tells how far the work is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.errors import ChaffinchError, LakeError, UnreadableFile
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.lake.delivery import UNREADABLE, Delivery

if TYPE_CHECKING:
    from chaffinch.pipelines.ingest.discover import InboxFile
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.parsed import Parsed

# Rows that are held before they are written: a few machine-days at one reading a second.
ROWS_PER_COMMIT = 300_000
FILES_PER_COMMIT = 64

MACHINES_TOLD = 8
_WITHOUT_READINGS = {
    "settings log": "adjustments",
    "loss checks": "loss checks",
    "load tickets": "load tickets",
}

Say = Callable[[str], None]
Step = Callable[[int, int, str], None]


def _silent(*_: object) -> None:
    pass


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What happened to one new file. ``sentence`` says it for people.

    ``examples``: the first row set aside under each rule. ``attention``: those of ``findings`` that ask
    something of the user.
    """

    name: str
    delivery: str
    status: str
    rows_read: int
    rows_kept: int
    rows_set_aside: int
    judgement: str | None
    findings: tuple[str, ...]
    unmatched_columns: tuple[str, ...]
    sentence: str
    examples: tuple[str, ...] = ()
    attention: tuple[str, ...] = ()

    @property
    def trouble(self) -> bool:
        """Whether something was set aside, could not be read, or asks something of the user."""
        return bool(self.rows_set_aside or self.attention) or self.status == UNREADABLE

    def sentences(self) -> list[str]:
        return [self.sentence, *(f"  {told}" for told in (*self.examples, *self.findings))]


@dataclass(frozen=True, slots=True)
class IngestSummary:
    """``new``: files read in this run, ``again`` of them that were known. ``unchanged``: files that count
    already, lie twice in the inbox, or are ``retracted``. ``waiting``: sentences on machines whose settings
    or loss checks came without any readings.
    """

    files: int = 0
    new: tuple[FileOutcome, ...] = ()
    again: int = 0
    unchanged: int = 0
    same_content: tuple[str, ...] = ()
    retracted: tuple[str, ...] = ()
    replaced: int = 0
    waiting: tuple[str, ...] = ()

    @property
    def trouble(self) -> bool:
        """Whether something new was set aside, could not be read, or asks something of the user."""
        return bool(self.waiting) or any(one.trouble for one in self.new)

    def sentences(self) -> list[str]:
        told = [sentence for one in self.new for sentence in one.sentences()]
        told += [*self.waiting, *self.same_content]
        told += [
            f"{name} was retracted and stays out; chaffinch retract {name} --undo lets it come back."
            for name in self.retracted
        ]
        counts = [f"{len(self.new) - self.again} new"]
        if self.again:
            counts.append(
                f"{self.again} read again because farm.toml, the known fields or the program changed"
            )
        counts.append(f"{self.unchanged} already taken in")
        if self.replaced:
            counts.append(f"{self.replaced} earlier deliveries replaced")
        return [*told, f"{self.files} files: {', '.join(counts)}."]


@dataclass(frozen=True, slots=True)
class EstimateSummary:
    """``refreshed`` False: nothing they rest on had changed. ``effects``: rows now in the table."""

    refreshed: bool
    effects: int

    def sentences(self) -> list[str]:
        if not self.refreshed:
            return [f"Effects are up to date: {self.effects} rows."]
        return [f"Effects estimated: {self.effects} rows."]


@dataclass(frozen=True, slots=True)
class NightSummary:
    """One night. ``failed``: sentences about stages that failed while the others are done and kept."""

    ingest: IngestSummary
    estimate: EstimateSummary | None = None
    pages: dict[str, Any] = field(default_factory=dict)
    failed: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        return 1 if self.failed or self.ingest.trouble else 0

    def sentences(self) -> list[str]:
        told = self.ingest.sentences()
        told += self.estimate.sentences() if self.estimate else []
        return told + list(self.failed)

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"exit_code": self.exit_code}


def run_nightly(
    inbox: Path, lake: Lake, site: Path, say: Say = _silent, step: Step = _silent
) -> NightSummary:
    """Take in ``inbox``, refresh effects where their inputs changed, write the pages to ``site``.

    A stage that fails leaves the others done; its sentence is in ``failed``. Raises ``CallError`` where the
    inbox is not there, ``DeclarationError`` where its farm.toml is wrong, ``LakeError`` where the lake can't
    be written to.
    """
    failed: list[str] = []
    with lake.writing(say):
        ingest = take_in_inbox(inbox, lake, say, step)
        try:
            estimate = refresh(lake, say=say)
        except Exception as error:  # noqa: BLE001  what was taken in stays, and the pages can still be written
            estimate = None
            failed.append(failure("Effects were not refreshed", "estimate", error))
    try:
        pages = write_pages(lake, site, say)
    except Exception as error:  # noqa: BLE001  the lake is up to date all the same
        pages = {}
        failed.append(failure("Pages were not written", "pages", error))
    return NightSummary(ingest, estimate, pages, tuple(failed))


def failure(what: str, command: str, error: Exception) -> str:
    """The sentence for a stage that failed, and how to see more of it."""
    if isinstance(error, ChaffinchError):
        return f"{what}: {error}"
    first = f"{type(error).__name__}: {error}".strip().splitlines()[0][:300]
    return f"{what}, unexpectedly ({first}). See more with: chaffinch {command} --debug"


def take_in_inbox(inbox: Path, lake: Lake, say: Say = _silent, step: Step = _silent) -> IngestSummary:
    """Take in every file of ``inbox`` that does not count yet, boundaries and the farm first."""
    from chaffinch.pipelines.plan import plan_inbox

    with lake.writing(say):
        plan = plan_inbox(inbox, lake)
        outcomes: list[FileOutcome] = []
        replaced = 0
        done = 0
        for tier in plan.tiers():
            work = plan.due(tier, lake)
            for batch in _batches(work.read(), work.farm):
                lake.take_in(batch)
                outcomes.extend(_outcome(delivery) for delivery in batch)
                replaced += sum(len(delivery.replaces) for delivery in batch)
                for delivery in batch:
                    done += 1
                    step(done, plan.most_new, delivery.name)
        superseded = plan.superseded(lake)
        lake.strike(superseded)
        replaced += len(superseded)
        lake.note_names(plan.names())
        return IngestSummary(
            files=len(plan.files),
            new=tuple(outcomes),
            again=sum(one.delivery in plan.known for one in outcomes),
            unchanged=len(plan.files) - len(outcomes),
            same_content=plan.same_content,
            retracted=plan.retracted,
            replaced=replaced,
            waiting=waiting_for_readings(lake, {one.delivery for one in outcomes}),
        )


def waiting_for_readings(lake: Lake, new: set[str]) -> tuple[str, ...]:
    """A sentence for each machine in ``new`` settings logs and loss checks of which no readings are known."""
    rows = lake.ledger().select("delivery", "name", "kind", "machines").to_dicts()
    logged = {
        machine for row in rows if row["kind"] not in _WITHOUT_READINGS for machine in row["machines"] or ()
    }
    known = ", ".join(f"'{machine}'" for machine in sorted(logged)[:MACHINES_TOLD]) or "none"
    return tuple(
        f"{row['name']}: no harvest log names a machine '{machine}', so nothing can be told of its {what} "
        f"until one does. Machines with readings: {known}; if it is one of them, state the name under its "
        "aliases in farm.toml."
        for row in rows
        if row["delivery"] in new and (what := _WITHOUT_READINGS.get(row["kind"]))
        for machine in row["machines"] or ()
        if machine not in logged
    )


def refresh(lake: Lake, *, forced: bool = False, say: Say = _silent) -> EstimateSummary:
    """Estimate effects anew if what they rest on has changed, or if ``forced``."""
    from chaffinch.pipelines.lake.inputs import inputs_of_effects

    with lake.writing(say):
        inputs = inputs_of_effects(lake)
        if not forced and lake.effects_inputs() == inputs:
            return EstimateSummary(False, lake.scan("effects").collect().height)
        from chaffinch.pipelines.estimate import refresh_effects

        say("Estimating effects.")
        effects = refresh_effects(lake, farm_of(lake))
        lake.replace_effects(effects, inputs)
        return EstimateSummary(True, effects.height)


def write_pages(lake: Lake, site: Path, say: Say = _silent) -> dict[str, Any]:
    """Write the pages of the lake to ``site``. Gives the summary of ``dashboards``."""
    from chaffinch.dashboards.site import write_site

    say("Writing pages.")
    return write_site(lake, site, farm_of(lake))


def farm_of(lake: Lake) -> Farm:
    """What the farm.toml taken in last states; the defaults where there was none."""
    text = lake.farm_text()
    return parse_farm(text, "farm.toml of the lake") if text is not None else Farm()


def read_one(file: InboxFile, farm: Farm, boundaries: Sequence[tuple[str, Any]]) -> tuple[Parsed | None, str]:
    """The file, read and its rows held against the rules; or None and the sentence why it can't be read."""
    from chaffinch.pipelines.ingest import read
    from chaffinch.pipelines.validate import apply_rules
    from polars.exceptions import PanicException

    try:
        return apply_rules(read(file, farm, list(boundaries))), ""
    except UnreadableFile as unreadable:
        return None, unreadable.reason
    except (MemoryError, LakeError):
        raise
    # One odd file must not stop the night; it is on record. A panic of polars is no Exception.
    except (Exception, PanicException) as error:
        return None, (
            f"Reading it failed unexpectedly ({type(error).__name__}: {str(error)[:200]}). "
            "Please report this, with the output of: chaffinch inspect --debug FILE"
        )


def _batches(deliveries: Iterable[Delivery], farm: Farm) -> Iterator[list[Delivery]]:
    """Judged deliveries in groups that fit into memory."""
    batch: list[Delivery] = []
    rows = 0
    for delivery in deliveries:
        batch.append(delivery)
        rows += delivery.rows
        if rows >= ROWS_PER_COMMIT or len(batch) >= FILES_PER_COMMIT:
            yield _judged(batch, farm)
            batch, rows = [], 0
    if batch:
        yield _judged(batch, farm)


def _judged(batch: list[Delivery], farm: Farm) -> list[Delivery]:
    from dataclasses import replace

    from chaffinch.pipelines.validate import judge

    judgements = judge([(d.id, d.parsed) for d in batch if d.parsed is not None], farm)
    return [
        replace(d, judgement=judgements[d.id].judgement, findings=judgements[d.id].findings)
        if d.id in judgements
        else replace(d, judgement="poor")
        for d in batch
    ]


def _outcome(delivery: Delivery) -> FileOutcome:
    from chaffinch.pipelines.validate.attention import attention

    parsed, aside = delivery.parsed, delivery.rows_set_aside
    read = parsed.rows_read if parsed else 0
    if parsed is None:
        told = f"{delivery.name} could not be read: {delivery.reason}"
    elif parsed.kind == "farm":
        told = f"{delivery.name}: what it states about the farm now holds."
    else:
        told = f"{delivery.name}: {parsed.kind}, {read - aside} of {read} rows kept"
        told += f", {aside} set aside ({_reasons(parsed)})." if aside else "."
        if parsed.unmatched_columns:
            told += f" Columns kept but not understood: {', '.join(parsed.unmatched_columns)}."
    return FileOutcome(
        delivery.name,
        delivery.id,
        delivery.status,
        read,
        read - aside,
        aside,
        delivery.judgement,
        delivery.findings,
        parsed.unmatched_columns if parsed else (),
        told,
        _examples(parsed) if parsed else (),
        attention(parsed) if parsed else (),
    )


def _reasons(parsed: Parsed) -> str:
    """Rules with the number of rows under each: "3 outside_range, 1 repeated_row"."""
    if parsed.set_aside is None:
        return ""
    counts = parsed.set_aside["rule"].value_counts(sort=True)
    return ", ".join(f"{count} {rule}" for rule, count in counts.iter_rows())


def _examples(parsed: Parsed) -> tuple[str, ...]:
    """The first row set aside under each rule, most frequent rule first, and how many more there are."""
    import polars as pl

    if parsed.set_aside is None or not parsed.set_aside.height:
        return ()
    by_rule = parsed.set_aside.group_by("rule", maintain_order=True).agg(
        pl.col("row", "sentence").first(), pl.len().alias("rows")
    )
    told = []
    for one in by_rule.sort("rows", descending=True, maintain_order=True).to_dicts():
        more = f" ({one['rows'] - 1} more under {one['rule']})" if one["rows"] > 1 else ""
        told.append(f"row {one['row']}: {one['sentence']}{more}")
    return tuple(told)
