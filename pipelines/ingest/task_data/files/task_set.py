"""The files of one set of task data, looked up by name whatever its case."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.ingest.inbox.inbox_file import AGAIN, DAMAGE

Members = Mapping[str, Callable[[], bytes]]


class DamagedMember(UnreadableFile):
    """One file of an archive can't be unpacked; the others may be sound."""


@dataclass(frozen=True, slots=True)
class TaskSet:
    """TASKDATA.XML and the files of its folder.

    clashes : files whose name the set holds already, in other case or twice; not looked up.
    """

    files: Members
    clashes: tuple[str, ...] = ()
    _by_case: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, members: Members) -> TaskSet:
        """The set of these files: name -> reader of its bytes."""
        by_case: dict[str, str] = {}
        clashes: list[str] = []
        for name in sorted(members):
            plain = name.casefold().removesuffix(AGAIN)
            if by_case.setdefault(plain, name) != name:
                clashes.append(name)
        return cls(members, tuple(clashes), by_case)

    def name_of(self, wanted: str) -> str | None:
        """The name as written, exact case first; None when there is no such file."""
        return wanted if wanted in self.files else self._by_case.get(wanted.casefold())

    def read(self, wanted: str) -> bytes | None:
        """Bytes of a file; None when there is no such file. Raises ``DamagedMember``."""
        name = self.name_of(wanted)
        return None if name is None else self.content(name)

    def content(self, name: str) -> bytes:
        """Bytes of the file of exactly this name. Raises ``DamagedMember``."""
        try:
            return self.files[name]()
        except DAMAGE as error:
            raise DamagedMember(name, f"is damaged where it is packed ({type(error).__name__}).") from None
