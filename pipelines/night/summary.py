"""What a night did with each file, in each stage and as a whole, for people and for other programs."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.delivery import UNREADABLE, Delivery
from chaffinch.pipelines.parsed import Parsed

# Sentences about refreshed effects that a night prints; the JSON has all of them.
MOST_LISTED = 12


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What happened to one new file. ``sentence`` is for people.

    ``examples``: the first row set aside under each rule. ``attention``: the ``findings`` that need action.
    ``too_much_aside``: whether the share set aside exceeds ``set_aside_pct`` of ``farm.toml``.
    """

    name: str
    delivery: str
    status: str
    rows_read: int
    rows_kept: int
    rows_set_aside: int
    rows_with_values_set_aside: int
    judgement: str | None
    findings: tuple[str, ...]
    unmatched_columns: tuple[str, ...]
    sentence: str
    examples: tuple[str, ...] = ()
    attention: tuple[str, ...] = ()
    too_much_aside: bool = False

    @property
    def trouble(self) -> bool:
        """Whether it could not be read, needs a person, or more was set aside than ``farm.toml`` allows."""
        return bool(self.attention) or self.too_much_aside or self.status == UNREADABLE

    def sentences(self) -> list[str]:
        return [self.sentence, *(f"  {detail}" for detail in (*self.examples, *self.findings))]


@dataclass(frozen=True, slots=True)
class IngestSummary:
    """``new``: files read in this run; ``again``: how many of them were known. ``unchanged``: files that are in the
    lake, that have the content of another file, or that are ``retracted``. ``waiting``: sentences on machines that
    have settings or loss checks but no readings; ``outside``: on rows outside the logs of their machine, and on files
    that hold the same moments. ``growing``: files that are still being written, for the next run. ``farm_fault``:
    why the farm.toml of the inbox can't be used. ``repeated``: sentences on files whose rows a larger one holds.
    """

    files: int = 0
    new: tuple[FileOutcome, ...] = ()
    again: int = 0
    unchanged: int = 0
    same_content: tuple[str, ...] = ()
    retracted: tuple[str, ...] = ()
    repeated: tuple[str, ...] = ()
    replaced: int = 0
    waiting: tuple[str, ...] = ()
    outside: tuple[str, ...] = ()
    growing: tuple[str, ...] = ()
    farm_fault: str | None = None

    @property
    def trouble(self) -> bool:
        """Whether something new could not be read, needs a person, or has too much of it set aside."""
        return bool(self.waiting or self.outside or self.farm_fault) or any(one.trouble for one in self.new)

    def growing_sentences(self) -> list[str]:
        return [f"{name} is still being written; the next run ingests it." for name in self.growing]

    def sentences(self) -> list[str]:
        found = [sentence for one in self.new for sentence in one.sentences()]
        if self.farm_fault and not any(self.farm_fault in sentence for sentence in found):
            found.append(f"farm.toml can't be used: {self.farm_fault}")
        found += [*self.waiting, *self.outside, *self.growing_sentences(), *self.same_content, *self.repeated]
        found += [
            f"{name} was retracted and stays out; to undo that: chaffinch retract {name} --undo"
            for name in self.retracted
        ]
        counts = [f"{len(self.new) - self.again} new"]
        if self.again:
            counts.append(
                f"{self.again} read again because farm.toml, the known fields or the program changed"
            )
        counts.append(f"{self.unchanged} already ingested")
        if self.replaced:
            counts.append(f"{self.replaced} earlier deliveries replaced")
        if self.growing:
            counts.append(f"{len(self.growing)} left, still being written")
        return [*found, f"{counted(self.files, 'file')}: {', '.join(counts)}."]


@dataclass(frozen=True, slots=True)
class EstimateSummary:
    """``refreshed`` False: no input had changed. ``effects``: rows now in the table. ``because``: a sentence for
    each machine and field whose inputs changed. ``moved``: rows that are new or differ from before, also if only
    the noise that the season shares differs. ``calibrations``: factors of the machines' grain flow by weighed
    loads, with the residual. ``refitted``: why the noise that is kept of a large season was fitted again, or all
    effects made again, and how far effects moved by that.
    """

    refreshed: bool
    effects: int
    because: tuple[str, ...] = ()
    moved: int = 0
    calibrations: tuple[str, ...] = ()
    refitted: str = ""

    def sentences(self) -> list[str]:
        if not self.refreshed:
            return [f"Effects are up to date: {self.effects} rows."]
        found = [f"Effects refreshed: {sentence}" for sentence in self.because[:MOST_LISTED]]
        if len(self.because) > MOST_LISTED:
            found.append(f"Effects refreshed: {len(self.because) - MOST_LISTED} more machines and fields.")
        changed = f", {self.moved} of them new or changed" if self.because else ""
        refitted = [self.refitted] if self.refitted else []
        return [*found, *self.calibrations, *refitted, f"Effects estimated: {self.effects} rows{changed}."]


def refitted_sentence(why: str, middle: float, far: float) -> str:
    """middle, far : as of ``moved_sentence``."""
    again = f"The noise of the season was fitted again ({why.rstrip('.')})."
    return f"{again} {moved_sentence('By that, and by what is new', middle, far)}"


def renewed_sentence(middle: float, far: float) -> str:
    """middle, far : as of ``moved_sentence``."""
    why = "The answers over all machines have moved, so all effects were estimated again."
    return f"{why} {moved_sentence('By that, and by what is new', middle, far)}"


def moved_sentence(by: str, middle: float, far: float) -> str:
    """middle, far : in half widths of their ranges, how far half of the effects moved at most, and 99 of 100."""
    return (
        f"{by}, half of the effects moved by at most {100 * middle:.0f} % of the half width of their range, "
        f"99 of 100 by at most {100 * far:.0f} %."
    )


@dataclass(frozen=True, slots=True)
class NightSummary:
    """One night. ``failed``: sentences about stages that failed; the others are done and kept."""

    ingest: IngestSummary
    estimate: EstimateSummary | None = None
    pages: dict[str, Any] = field(default_factory=dict)
    failed: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        return 1 if self.failed or self.ingest.trouble else 0

    def sentences(self) -> list[str]:
        found = self.ingest.sentences()
        found += self.estimate.sentences() if self.estimate else []
        return found + list(self.failed)

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"exit_code": self.exit_code, "sentences": self.sentences()}


def file_outcome(delivery: Delivery, farm: Farm) -> FileOutcome:
    """The outcome of a file that was just read."""
    from chaffinch.pipelines.validate.attention import attention

    parsed, aside = delivery.parsed, delivery.rows_set_aside
    read = parsed.rows_read if parsed else 0
    if parsed is None:
        sentence = f"{delivery.name} could not be read: {delivery.reason}"
    elif parsed.kind == "farm":
        sentence = f"{delivery.name}: its farm data are now in use."
    elif parsed.kind == "picture":
        sentence = (
            f"{delivery.name}: a picture, kept for reports that name it."
            if parsed.stated
            else f"{delivery.name}: a picture. {' '.join(parsed.notes)}"
        )
    else:
        sentence = f"{delivery.name}: {parsed.kind}, {read - aside} of {read} rows kept"
        sentence += f", {aside} set aside ({_reasons(parsed, whole=True)})" if aside else ""
        values = parsed.rows_with_values_set_aside
        sentence += f"; {values} of them lack a value ({_reasons(parsed, whole=False)})." if values else "."
        if parsed.unmatched_columns:
            sentence += f" Columns kept but not understood: {', '.join(parsed.unmatched_columns)}."
    return FileOutcome(
        delivery.name,
        delivery.id,
        delivery.status,
        read,
        read - aside,
        aside,
        parsed.rows_with_values_set_aside if parsed else 0,
        delivery.judgement,
        delivery.findings,
        parsed.unmatched_columns if parsed else (),
        sentence,
        _examples(parsed) if parsed else (),
        attention(parsed) if parsed else (),
        parsed is not None and parsed.share_set_aside_pct > farm.thresholds.set_aside_pct,
    )


def _reasons(parsed: Parsed, whole: bool) -> str:
    """Rules with the number of rows under each: "3 bad_time, 1 repeated_row".

    whole : of rows that were set aside whole, else of values.
    """
    if parsed.set_aside is None:
        return ""
    meant = parsed.set_aside.filter(pl.col("row_kept").fill_null(False) != whole)
    counts = meant.group_by("rule", maintain_order=True).agg(pl.col("row").n_unique().alias("rows"))
    return ", ".join(
        f"{n} {rule}" for rule, n in counts.sort("rows", descending=True, maintain_order=True).rows()
    )


def _examples(parsed: Parsed) -> tuple[str, ...]:
    """The first row set aside under each rule, most frequent rule first, and how many more there are."""
    if parsed.set_aside is None or not parsed.set_aside.height:
        return ()
    by_rule = parsed.set_aside.group_by("rule", maintain_order=True).agg(
        pl.col("row", "sentence").first(), pl.col("row").n_unique().alias("rows")
    )
    examples = []
    for one in by_rule.sort("rows", descending=True, maintain_order=True).to_dicts():
        more = f" ({one['rows'] - 1} more under {one['rule']})" if one["rows"] > 1 else ""
        examples.append(f"row {one['row']}: {one['sentence']}{more}")
    return tuple(examples)
