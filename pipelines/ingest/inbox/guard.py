"""Limits for a single file, so that no file ever stops a night.

``blamed_on`` turns any error of reading a file into one sentence about that file. The limits are on what is decoded,
not on the size on disk; they keep any file below 2 GB of memory, and any below 1 MB under ten seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from chaffinch.pipelines.errors import ChaffinchError, UnreadableFile

# 2.5 million rows of 14 columns, a machine-month, are 240 MiB and 35 million cells, and take 1.5 GB to read.
LARGEST_TABLE_BYTES = 320 << 20
MOST_CELLS = 45_000_000
# Each name costs milliseconds, and each machine in each field a page.
MOST_NAMES = 5_000


class NoMemory(UnreadableFile):
    """There was not enough memory for the file; another night there may be."""


@contextmanager
def blamed_on(file: str) -> Iterator[None]:
    """Let nothing that reading ``file`` raises get further than ``UnreadableFile``, with one sentence.

    Errors of the program's own kinds, such as of the lake, stay as they are.
    """
    from polars.exceptions import PanicException

    try:
        yield
    except ChaffinchError:
        raise
    except RecursionError as error:
        raise UnreadableFile(file, "It is nested too deeply, as no log is; look inside.") from error
    except MemoryError as error:
        raise NoMemory(
            file, "There is not enough memory to read it; split it by day, or wait for the next night."
        ) from error
    # A panic of Polars is not an Exception.
    except (Exception, PanicException) as error:
        what = f"{type(error).__name__}: {error}".splitlines()[0][:200]
        raise UnreadableFile(
            file,
            f"Reading it failed unexpectedly ({what}). See more with: chaffinch inspect --debug FILE",
        ) from error


def require_affordable(file: str, rows: int, columns: int) -> None:
    """Raises ``UnreadableFile`` for a table of more cells than a file may have."""
    if rows * columns > MOST_CELLS:
        raise UnreadableFile(
            file,
            f"It unpacks to {rows:,} rows of {columns:,} columns, more than any log has; "
            "split it by day, or check how it was exported.",
        )


def require_few(file: str, names: int, of_what: str) -> None:
    """Raises ``UnreadableFile`` for a file with more names of one kind than any farm has."""
    if names > MOST_NAMES:
        raise UnreadableFile(
            file,
            f"It names {names:,} {of_what}, more than any farm has; check the columns that hold them.",
        )
