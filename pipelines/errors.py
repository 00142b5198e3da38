"""The few kinds of failure a user can meet, and words for them. A message says what, where, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches


class ChaffinchError(Exception):
    """Anything a user can mend. The command line prints the message alone and exits with ``exit_code``.

    ``may_pass``: whether waiting may mend it, so that trying again makes sense.
    """

    exit_code = 1
    may_pass = False


class DeclarationError(ChaffinchError):
    """A declaration in ``schemas`` or in ``farm.toml`` is wrong."""

    exit_code = 2


class CallError(ChaffinchError):
    """The call itself is wrong: a folder that is not there, a table that does not exist."""

    exit_code = 2


class UnreadableFile(ChaffinchError):
    """A file of the inbox can't be read at all. ``reason`` is the sentence kept in ``deliveries``."""

    def __init__(self, file: str, reason: str) -> None:
        super().__init__(f"{file}: {reason}")
        self.file = file
        self.reason = reason

    def __reduce__(self) -> tuple[type[UnreadableFile], tuple[str, str]]:
        return UnreadableFile, (self.file, self.reason)


class NotYet(ChaffinchError):
    """What passes by itself: a file that is still being copied, a share that is not mounted."""

    may_pass = True


class LakeError(ChaffinchError):
    """The lake can't be read or written. ``may_pass``: storage that is busy, full or away; not a refusal."""

    def __init__(self, message: str, may_pass: bool = False) -> None:
        super().__init__(message)
        self.may_pass = may_pass


def did_you_mean(name: str, known: Sequence[str]) -> str:
    """``; did you mean 'speed_m_s'`` with the nearest of ``known``, empty where none is near."""
    near = get_close_matches(name, known, n=1)
    return f"; did you mean '{near[0]}'" if near else ""


def counted(number: int, thing: str, things: str = "") -> str:
    """``1 row``, ``2 rows``, ``4,949 rows``; ``things`` where an s does not make the plural."""
    return f"{number:,} {thing if number == 1 else things or thing + 's'}"
