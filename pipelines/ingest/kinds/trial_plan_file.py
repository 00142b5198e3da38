"""A planned trial: ``trial.toml`` as rows of ``trials``, one for each step."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.errors import DeclarationError, UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.text.table_reader import cleaned_names
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.trials.written.plan_rows import plan_rows
from chaffinch.pipelines.trials.written.trial_plan import parse_trial


def is_trial(head: str) -> bool:
    """Whether a text starts with an entry of a trial; the name of the file does not matter."""
    lines = (line.strip().replace(" ", "") for line in head.splitlines())
    first = next((line for line in lines if line and not line.startswith("#")), "")
    return first.startswith(("[trial]", "[[step]]"))


def read_trial_plan(file: str, content: bytes, farm: Farm) -> Parsed:
    """Read a ``trial.toml``: one row of ``trials`` a step; ``row`` is the line where the step begins.

    Raises ``UnreadableFile`` where the plan can't be used.
    """
    try:
        text = content.decode("utf-8-sig")
        plan = parse_trial(text)
    except UnicodeDecodeError:
        raise UnreadableFile(file, "It is not UTF-8 text; save it as UTF-8.") from None
    except DeclarationError as error:
        raise UnreadableFile(file, f"The trial can't be used. {error}") from None
    begins = [
        n for n, line in enumerate(text.splitlines(), 1) if line.replace(" ", "").startswith("[[step]]")
    ]
    if len(begins) != len(plan.steps):
        begins = list(range(1, len(plan.steps) + 1))
    names = cleaned_names(pl.Series([plan.name, plan.machine]))
    if names.null_count():
        raise UnreadableFile(file, "The trial can't be used. Its name or machine is empty.")
    machine = farm.machine_aliases().get(names[1].casefold(), names[1])
    crop = farm.crop_named(plan.crop) if plan.crop else None
    plan = plan.model_copy(update={"name": names[0], "machine": machine, "crop": crop})
    rows = plan_rows(plan).with_columns(pl.Series("row", begins, dtype=pl.Int64))
    kept = rows.drop("delivery", "file")
    return Parsed(kind="trial", trials=kept, rows_read=kept.height)
