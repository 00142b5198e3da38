"""What a night did, for people and for other programs: of each file, each stage, and as a whole."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.lake.delivery import UNREADABLE, Delivery

if TYPE_CHECKING:
    from chaffinch.pipelines.parsed import Parsed

# Sentences about refreshed effects that a night prints; all of them are in its JSON.
MOST_TOLD = 12


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
    or loss checks came without any readings. ``growing``: files that are still being written; the next run
    takes them in. ``farm_fault``: why the farm.toml of the inbox does not hold.
    """

    files: int = 0
    new: tuple[FileOutcome, ...] = ()
    again: int = 0
    unchanged: int = 0
    same_content: tuple[str, ...] = ()
    retracted: tuple[str, ...] = ()
    replaced: int = 0
    waiting: tuple[str, ...] = ()
    growing: tuple[str, ...] = ()
    farm_fault: str | None = None

    @property
    def trouble(self) -> bool:
        """Whether something new was set aside, could not be read, or asks something of the user."""
        return bool(self.waiting or self.farm_fault) or any(one.trouble for one in self.new)

    def growing_sentences(self) -> list[str]:
        return [f"{name} is still being written; the next run takes it in." for name in self.growing]

    def sentences(self) -> list[str]:
        told = [sentence for one in self.new for sentence in one.sentences()]
        if self.farm_fault and not any(self.farm_fault in sentence for sentence in told):
            told.append(f"farm.toml can't be used: {self.farm_fault}")
        told += [*self.waiting, *self.growing_sentences(), *self.same_content]
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
        if self.growing:
            counts.append(f"{len(self.growing)} left, still being written")
        return [*told, f"{self.files} files: {', '.join(counts)}."]


@dataclass(frozen=True, slots=True)
class EstimateSummary:
    """``refreshed`` False: nothing they rest on had changed. ``effects``: rows now in the table. ``because``:
    a sentence for each machine and field whose inputs changed. ``moved``: rows that are new or say something
    else than before, also where only the noise that the season shares moved. ``calibrations``: what weighed
    loads make of the machines' grain flow, with the residual.
    """

    refreshed: bool
    effects: int
    because: tuple[str, ...] = ()
    moved: int = 0
    calibrations: tuple[str, ...] = ()

    def sentences(self) -> list[str]:
        if not self.refreshed:
            return [f"Effects are up to date: {self.effects} rows."]
        told = [f"Effects refreshed: {sentence}" for sentence in self.because[:MOST_TOLD]]
        if len(self.because) > MOST_TOLD:
            told.append(f"Effects refreshed: {len(self.because) - MOST_TOLD} more machines and fields.")
        changed = f", {self.moved} of them new or changed" if self.because else ""
        return [*told, *self.calibrations, f"Effects estimated: {self.effects} rows{changed}."]


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
        return asdict(self) | {"exit_code": self.exit_code, "sentences": self.sentences()}


def outcome_of(delivery: Delivery) -> FileOutcome:
    """What became of a file that was read just now."""
    from chaffinch.pipelines.validate.attention import attention

    parsed, aside = delivery.parsed, delivery.rows_set_aside
    read = parsed.rows_read if parsed else 0
    if parsed is None:
        told = f"{delivery.name} could not be read: {delivery.reason}"
    elif parsed.kind == "farm":
        told = f"{delivery.name}: what it states about the farm now holds."
    elif parsed.kind == "picture":
        told = (
            f"{delivery.name}: a picture, kept for reports that name it."
            if parsed.stated
            else (f"{delivery.name}: a picture. {' '.join(parsed.notes)}")
        )
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
