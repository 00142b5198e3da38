"""Read the files of an inbox, whatever they are called: their kind is recognised by content.

``inbox`` finds the files, ``text`` makes tables of texts of them and says what their columns are, and one
module of ``kinds`` for each kind, or ``task_data``, makes the tables of the lake.
"""

from __future__ import annotations

from chaffinch.pipelines.errors import DeclarationError, UnreadableFile
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest.inbox.guard import blamed_on, require_few
from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile
from chaffinch.pipelines.ingest.kinds.boundaries import read_boundaries
from chaffinch.pipelines.ingest.kinds.harvest_log import read_harvest_log
from chaffinch.pipelines.ingest.kinds.load_ticket_list import read_load_tickets
from chaffinch.pipelines.ingest.kinds.loss_check_list import read_loss_checks
from chaffinch.pipelines.ingest.kinds.missing_columns import Boundaries
from chaffinch.pipelines.ingest.kinds.notebook import free_text_column, read_notebook
from chaffinch.pipelines.ingest.kinds.picture import picture_kind, read_picture
from chaffinch.pipelines.ingest.kinds.settings_log import read_settings_log
from chaffinch.pipelines.ingest.kinds.trial_plan_file import is_trial, read_trial_plan
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.ingest.text.decode import bounded_content, decode_lines
from chaffinch.pipelines.ingest.text.parquet import read_parquet_table
from chaffinch.pipelines.ingest.text.table_reader import begin
from chaffinch.pipelines.ingest.text.text_table import TextTable, read_text_table
from chaffinch.pipelines.parsed import Parsed


def read(file: InboxFile, farm: Farm, boundaries: Boundaries) -> Parsed:
    """Read one file.

    Raises ``UnreadableFile`` with one sentence where the file can't be read at all, even where it crashes its reader.
    """
    with blamed_on(file.name):
        parsed = _read(file, farm, boundaries)
        for frame in (parsed.readings, parsed.adjustments, parsed.loss_checks, parsed.load_tickets):
            if frame is not None and frame.height:
                for word in ("machine", "field", "crop"):
                    if word in frame.columns:
                        require_few(file.name, frame[word].n_unique(), f"{word}s")
    return parsed


def _read(file: InboxFile, farm: Farm, boundaries: Boundaries) -> Parsed:
    if file.is_task_data:
        return read_task_data(file.members, file.name, farm, boundaries)
    content = bounded_content(file)
    if (picture := picture_kind(content)) is not None:
        return read_picture(content, picture)
    table = open_table(file, content, farm)
    if table is not None:
        return read_table(table, farm, boundaries)
    kind = kind_of_text(file, content)
    if kind == "farm":
        return _read_farm(file, content)
    if kind == "trial":
        return read_trial_plan(file.name, content, farm)
    return read_boundaries(file.name, content)


def open_table(file: InboxFile, content: bytes, farm: Farm) -> TextTable | None:
    """The table in ``content`` (CSV or Parquet) with what its columns are; None where it holds another kind.

    Raises ``UnreadableFile``.
    """
    if content[:4] == b"PAR1":
        return read_parquet_table(file.name, content, farm)
    if kind_of_text(file, content) != "table":
        return None
    return read_text_table(file.name, decode_lines(file.name, content), farm.columns_of(file.name))


def table_kind(table: TextTable) -> str:
    """``settings log``, ``notebook`` (a settings log in free text), ``loss checks``, ``load tickets`` or
    ``harvest log``, by what its columns are.
    """
    words = {m.target for m in table.matched if m.kind == "word"}
    if {"setting", "to_value"} <= words:
        return "settings log"
    if free_text_column(table) is not None and not words & {"kernels", "machine_loss_kg_ha", "load_mass_kg"}:
        return "notebook"
    measured = {m.target for m in table.matched if m.kind == "channel"}
    if {"kernels", "machine_loss_kg_ha", "sample_mass_g"} & words:
        only_place = measured <= {"latitude", "longitude", "altitude_m", "working_width_m"}
        if only_place:
            return "loss checks"
    has_span = bool({"start_time", "from_value"} & words and {"end_time", "to_value"} & words)
    only_moisture = measured <= {"latitude", "longitude", "grain_moisture_pct"}
    if "load_mass_kg" in words and only_moisture and (has_span or "ticket" in words):
        return "load tickets"
    return "harvest log"


def read_table(table: TextTable, farm: Farm, boundaries: Boundaries) -> Parsed:
    """Read an opened table as the kind that its columns make it. Raises ``UnreadableFile``."""
    kind, reader = table_kind(table), begin(table, farm)
    if kind == "settings log":
        return read_settings_log(reader)
    if kind == "notebook" and (column := free_text_column(table)) is not None:
        return read_notebook(reader, column)
    if kind == "load tickets":
        return read_load_tickets(reader)
    read_as = read_loss_checks if kind == "loss checks" else read_harvest_log
    return read_as(reader, boundaries)


def kind_of_text(file: InboxFile, content: bytes) -> str:
    """``boundaries`` for JSON, ``farm`` for a farm.toml, ``trial`` for a planned trial, else ``table``.

    The first bytes are enough.
    """
    head = content[:4096].removeprefix(b"\xef\xbb\xbf").lstrip()
    if head[:1] == b"{":
        return "boundaries"
    if is_trial(head.decode("utf-8", "replace")):
        return "trial"
    named_toml = file.name.lower().removesuffix(".gz").endswith(".toml")
    return "farm" if named_toml or _looks_like_farm(head.decode("utf-8", "replace")) else "table"


def _looks_like_farm(head: str) -> bool:
    """Whether the text starts with an entry of farm.toml, under whatever name."""
    lines = (line.strip() for line in head.splitlines())
    first = next((line for line in lines if line and not line.startswith("#")), "")
    entry = first.strip("[]").split(".")[0].split("=")[0].strip()
    return (first.startswith("[") or "=" in first) and entry in (*Farm.model_fields, "tell")


def _read_farm(file: InboxFile, content: bytes) -> Parsed:
    """A farm.toml is checked here and used by the caller (``load_farm``); it has no rows."""
    try:
        parse_farm(content, file.name)
    except DeclarationError as error:
        raise UnreadableFile(file.name, str(error).removeprefix(f"{file.name}: ")) from None
    return Parsed(kind="farm")
