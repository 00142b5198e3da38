"""Writing the Delta tables of the lake; ``reading.py`` reads them.

The ledger ``deliveries`` says what counts: rows of a delivery that it does not name are invisible to every
reader here and are removed by the next run. Ingesting a batch takes three steps, each of which can be done
again without harm: rows of the batch into the data tables; the rows of the ledger, in one atomic commit,
which is the moment from which the batch counts; rows that the batch replaces out of the data tables.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import polars as pl
from chaffinch.pipelines.errors import CallError, LakeError
from chaffinch.pipelines.lake.checks import content_digest, faults
from chaffinch.pipelines.lake.delivery import (
    DATA_TABLES,
    DERIVED_TABLES,
    ESTIMATED_WITH_EFFECTS,
    REPEATED,
    RETRACTED,
    Delivery,
)
from chaffinch.pipelines.lake.delta import LIGHT, TIGHT, DeltaTables
from chaffinch.pipelines.lake.exclusive import LOCK_FILE
from chaffinch.pipelines.lake.reading import FIELDS_KEY, INPUTS_KEY, LakeReader
from chaffinch.pipelines.lake.seal import LEDGER, SEAL_FILE, hurt_tables, seal
from chaffinch.schemas.tables import tables

# Where earlier versions kept what they had worked out.
OLD_CACHE = ".kept"
ROWS_OF_A_SMALL_FILE = 1000


class Lake(LakeReader):
    """The lake at ``uri``, to be read and written.

    ``Lake(uri)`` touches nothing; tables come into being with their first row.
    """

    def __init__(self, uri: str | Path) -> None:
        super().__init__(uri)
        self._writing = False
        # Whether this writes although tables are damaged.
        self.mending = False
        self._still_there: Callable[[], bool] = lambda: True

    def __reduce__(self) -> tuple[Callable[..., Lake], tuple[Any, ...]]:
        """A copy in another process reads the same lake, as it is now or later, and has no right to write it."""
        return _handed_over, (self.uri, self.delta.versions())

    @classmethod
    def open(cls, uri: str | Path, *, must_exist: bool = False, hurt: bool = False) -> Lake:
        """The lake at ``uri``. Raises ``CallError`` where there is none though ``must_exist``, ``LakeError`` where it
        lost something since the last run, unless ``hurt`` says that it may be damaged.
        """
        lake = cls(uri)
        if lake.is_remote:
            return lake
        folder = Path(lake.uri)
        if folder.exists() and not folder.is_dir():
            raise CallError(f"{folder} is a file; a lake is a folder.")
        whole = str(folder.resolve())
        if unquote(whole) != whole or not whole.isprintable():
            # The library of Delta tables would open another path.
            raise CallError(
                f"A lake can't lie in {whole!r}: its path must have no % before two hexadecimal digits and no "
                "line break or other control character; name another folder."
            )
        for one in hurt_tables(lake.delta):
            # Without its ledger nothing can be said of a lake.
            if one.table == LEDGER or (not hurt and (one.stops_everything or must_exist)):
                raise LakeError(f"{one.sentence} {one.advice(lake.uri)}")
        if must_exist and not lake.delta.exists("deliveries"):
            raise CallError(
                f"There is no lake in {folder}; make one with: chaffinch ingest INBOX --lake {folder}"
            )
        if folder.is_dir() and not lake.delta.exists("deliveries") and _holds_other_things(folder):
            raise CallError(f"{folder} holds other files and is not a lake; name an empty or new folder.")
        return lake

    @contextmanager
    def writing(self, say: Callable[[str], None] = lambda sentence: None) -> Iterator[None]:
        """Be the only writer, and remove what a killed run left; waits for another run and says so.

        May be nested.
        """
        if self._writing:
            yield
            return
        with self._alone(say) as still_there:
            self._writing, self._still_there = True, still_there
            before, self.delta = self.delta, DeltaTables(self.uri, keeps_open=True)
            try:
                for one in () if self.mending else hurt_tables(self.delta):
                    if one.stops_everything:
                        raise LakeError(f"{one.sentence} {one.advice(self.uri)}")
                self._sweep()
                yield
                seal(self.delta)
            finally:
                self._writing, self._still_there, self.delta = False, lambda: True, before

    def _alone(self, say: Callable[[str], None]) -> AbstractContextManager[Callable[[], bool]]:
        """The right to write: a lock in a folder, a lease in an object store."""
        if self.is_remote:
            from chaffinch.pipelines.lake.lease import leased

            return leased(self.uri, say)
        from chaffinch.pipelines.lake.exclusive import REFUSALS, exclusive

        try:
            Path(self.uri).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LakeError(
                f"{self.uri} can't be made: {error.strerror}.", error.errno not in REFUSALS
            ) from None
        return exclusive(Path(self.uri), say)

    def _require_lake(self) -> None:
        """Raises ``LakeError`` where the folder that is written to went away: nothing may come in its place."""
        if not self._still_there():
            raise LakeError(
                f"{self.uri} went away while it was written to; see whether its storage is there. "
                "What counted stays, and the next run goes on.",
                may_pass=True,
            )

    def take_in(self, batch: Sequence[Delivery]) -> None:
        """Make the batch count, all of it at one moment, and what it replaces no longer."""
        if not batch:
            return
        with self.writing():
            self._require_lake()
            ids = [delivery.id for delivery in batch]
            small = all(delivery.rows < ROWS_OF_A_SMALL_FILE for delivery in batch)
            for name in DATA_TABLES:
                self.delta.put(name, ids, _rows_of(name, batch), LIGHT if small else TIGHT)
            taken_in_at = self._now_for(batch)
            rows = [delivery.ledger_row(taken_in_at) for delivery in batch]
            replaced = {old for delivery in batch for old in delivery.replaces} - set(ids)
            self._commit_ledger([*ids, *sorted(replaced)], rows)
            self._remove_rows(sorted(replaced))

    def _now_for(self, batch: Sequence[Delivery]) -> datetime:
        """The present moment; for a farm.toml at least a moment after every earlier one, which a clock that was ahead
        may have put into the future: the newest is in use.
        """
        now = datetime.now(UTC)
        if all(delivery.stated is None for delivery in batch):
            return now
        latest = self.ledger().filter(pl.col("stated").is_not_null())["taken_in_at"].max()
        return max(now, latest + timedelta(microseconds=1)) if isinstance(latest, datetime) else now

    def note_names(self, names: Mapping[str, Collection[str]]) -> None:
        """Keep the names under which content that counts was met, so that a correction under any of them is
        known for one. ``names``: by identifier.
        """
        changed = []
        for row in self.ledger().iter_rows(named=True):
            known = set(row["other_names"] or [])
            met = known | (set(names.get(row["delivery"], ())) - {row["name"]})
            if met != known:
                changed.append(row | {"other_names": sorted(met)})
        if changed:
            with self.writing():
                self._commit_ledger([row["delivery"] for row in changed], changed)

    def strike(self, ids: Sequence[str]) -> None:
        """Take deliveries out as if they had never come; the ledger goes first."""
        if ids:
            with self.writing():
                self._commit_ledger(list(ids), [])
                self._remove_rows(ids)

    def retract(self, delivery: str) -> str:
        """Take a delivery, named by identifier or by name, out again. Returns the name it had.

        Its row stays in the ledger as ``retracted``, so that the next night does not ingest it again while
        its file lies in the inbox. Raises ``CallError`` where the ledger has none or several of that name.
        """
        with self.writing():
            row = self.find_delivery(delivery)
            if row["status"] == RETRACTED:
                raise CallError(f"{row['name']} is retracted already; to undo that, add --undo.")
            self._commit_ledger(
                [row["delivery"]], [row | _emptied(RETRACTED, "It was taken out on request.")]
            )
            self._remove_rows([row["delivery"]])
            return str(row["name"])

    def put_out(self, repeated: Mapping[str, str]) -> None:
        """Take the rows of deliveries out that another one holds as well; by identifier, the one that does."""
        if not repeated:
            return
        with self.writing():
            rows = self.ledger().filter(pl.col("delivery").is_in(list(repeated))).to_dicts()
            emptied = _emptied(REPEATED, "All its rows are in another delivery as well.")
            self._commit_ledger(
                list(repeated), [row | emptied | {"repeats": repeated[row["delivery"]]} for row in rows]
            )
            self._remove_rows(list(repeated))

    def undo_retraction(self, delivery: str) -> str:
        """Let a retracted delivery come back with the next night. Gives its name. Raises ``CallError``."""
        with self.writing():
            row = self.find_delivery(delivery)
            if row["status"] != RETRACTED:
                raise CallError(f"{row['name']} is not retracted; there is nothing to undo.")
            self.strike([row["delivery"]])
            return str(row["name"])

    def find_delivery(self, named: str) -> dict[str, Any]:
        """The row of the ledger that a name, an identifier or the start of one (from 6 digits) means.

        Raises ``CallError`` where none or several are meant.
        """
        by_id = pl.col("delivery").str.starts_with(named.lower()) if len(named) >= 6 else pl.lit(False)
        found = self.ledger().filter((pl.col("name") == named) | by_id)
        if found.height != 1:
            what = "No delivery is" if found.height == 0 else f"{found.height} deliveries are"
            raise CallError(
                f"{what} called '{named}'; list them with: "
                f"chaffinch export deliveries --lake {self.uri} --to FILE"
            )
        return found.row(0, named=True)

    def put_jobs(self, batch: Sequence[Mapping[str, pl.DataFrame]]) -> None:
        """Replace the rows of whole field jobs in the derived tables; each of ``batch`` is one job, frames by table.

        ``field_jobs`` goes last: a job whose row there names what ``work`` and ``bins`` were made from is whole.
        """
        with self.writing():
            self._require_lake()
            ids = [job["field_jobs"]["job"][0] for job in batch]
            for name in DERIVED_TABLES:
                self.delta.put(name, ids, (job[name] for job in batch if job[name].height))

    def keep_jobs(self, ids: Collection[str]) -> None:
        """Take every field job but ``ids`` out of the derived tables."""
        with self.writing():
            for name in reversed(DERIVED_TABLES):
                self.delta.delete(name, self.delta.owners_in(name) - set(ids))

    def put_trials(self, trials: pl.DataFrame) -> None:
        """Replace the rows of ``trials``, each delivery's whole, with what was done of them; none is added."""
        before = self.scan("trials").collect()
        key = tables()["trials"].key
        if before.sort(key).equals(trials.sort(key)):
            return
        with self.writing():
            self._require_lake()
            known = trials.filter(pl.col("delivery").is_in(before["delivery"].to_list()))
            ids = known["delivery"].unique(maintain_order=True).to_list()
            self.delta.put("trials", ids, known.partition_by("delivery", maintain_order=True))

    def replace_effects(
        self,
        effects: pl.DataFrame,
        inputs: str = "",
        field_inputs: str = "",
        others: Mapping[str, pl.DataFrame] | None = None,
    ) -> None:
        """Replace ``effects`` and the tables of ``ESTIMATED_WITH_EFFECTS``, each in one commit.

        others : by name, the rows of those tables; none where not given. Every commit keeps ``inputs``, the digest of
        the inputs; that of ``effects`` keeps ``field_inputs`` too, those of each field job. ``effects`` goes last: a
        run that ends before leaves tables that the next one makes again.
        """
        from deltalake import CommitProperties

        given = others or {}
        frames = {name: given.get(name, tables()[name].empty()) for name in ESTIMATED_WITH_EFFECTS}
        frames["effects"] = effects
        with self.writing():
            self._require_lake()
            for name, frame in frames.items():
                stamp = {INPUTS_KEY: inputs} | ({FIELDS_KEY: field_inputs} if name == "effects" else {})
                self.delta.write(
                    name,
                    [tables()[name].conform(frame)],
                    mode="overwrite",
                    commit_properties=CommitProperties(custom_metadata=stamp) if inputs else None,
                    schema_mode="overwrite",
                )
            self.delta.tidy()

    def check(self) -> list[str]:
        """A sentence for each thing that is wrong; none when the lake is whole."""
        return faults(self)

    def digest(self) -> str:
        """Digest of all content, whatever the order of writing and the times of ingesting and computing."""
        return content_digest(self)

    def _sweep(self) -> None:
        """Take out rows of deliveries that do not count (leftovers of a killed run), and what older versions kept."""
        counted = set(self._counted())
        for name in DATA_TABLES:
            self.delta.delete(name, self.delta.owners_in(name) - counted)
        if self.folder is not None:
            shutil.rmtree(self.folder / OLD_CACHE, ignore_errors=True)

    def _remove_rows(self, ids: Sequence[str]) -> None:
        """Take out the rows of deliveries ``ids``, and the field jobs that were made from them."""
        if not ids:
            return
        for name in DATA_TABLES:
            self.delta.delete(name, self.delta.owners_in(name) & set(ids))
        if self.delta.exists("work"):
            work = self.delta.scan("work").filter(pl.col("delivery").is_in(ids))
            jobs = work.select(pl.col("job").unique()).collect().to_series()
            for name in reversed(DERIVED_TABLES):
                self.delta.delete(name, jobs)

    def _commit_ledger(self, ids: list[str], rows: list[dict[str, Any]]) -> None:
        self._require_lake()
        table = tables()["deliveries"]
        if not rows:
            self.delta.delete("deliveries", ids)
            return
        frame = table.conform(pl.DataFrame(rows, schema=table.polars_schema()))
        self.delta.put("deliveries", ids, [frame])


def _rows_of(name: str, batch: Iterable[Delivery]) -> Iterator[pl.DataFrame]:
    """The rows of table ``name``, delivery by delivery, each in stable order."""
    table = tables()[name]
    for delivery in batch:
        frame = delivery.frames().get(name)
        if frame is not None:
            whole = frame.with_columns(
                pl.lit(delivery.id).alias("delivery"), pl.lit(delivery.name).alias("file")
            )
            yield table.conform(whole).sort(table.key, maintain_order=True)


def _emptied(status: str, reason: str) -> dict[str, Any]:
    """What the ledger says of a delivery whose rows were taken out."""
    kept: dict[str, Any] = {"status": status, "reason": reason, "rows_kept": 0, "rows_set_aside": 0}
    kept |= {"machines": [], "fields": [], "findings": [], "rows_stored": "{}"}
    return kept | dict.fromkeys(("judgement", "stated", "first_time", "last_time", "repeats"))


@lru_cache(maxsize=4)
def _of_this_process(uri: str) -> Lake:
    """One lake for all work that this process is handed, so that its logs are read once."""
    return Lake(uri)


def _handed_over(uri: str, versions: dict[str, int]) -> Lake:
    """The lake of this process, at least as new as ``versions`` of its tables."""
    lake = _of_this_process(uri)
    lake.delta.least.update(versions)
    return lake


def _holds_other_things(folder: Path) -> bool:
    """Whether anything but tables of a lake lies in ``folder``."""
    known = {*tables(), LOCK_FILE, OLD_CACHE, SEAL_FILE}
    return any(entry.name not in known for entry in folder.iterdir())
