"""Spoilt copies of the sample files: nothing fails unexpectedly, and every row is accounted for.

The text files are cut to a few hundred rows, so that many copies can be spoilt. Packed files are spoilt as they
lie on disk, task data in their members as well, farm.toml as text.
"""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import polars as pl
import pytest
from builders import environment
from builders.places import SAMPLE_INBOX
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.farm import load_farm, parse_farm
from chaffinch.pipelines.ingest.inbox.discover import single_file
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.pipelines.night.plan import read_one
from chaffinch.pipelines.parsed import rows_aside

SAMPLE = SAMPLE_INBOX
ROWS = 200
COPIES = 40
MANY_COPIES_OF_EACH = environment.number("CHAFFINCH_DAMAGED_COPIES")

Spoil = Callable[[random.Random, bytes], bytes]


@cache
def originals() -> dict[str, bytes]:
    """The text files of the sample, unpacked, the logs cut to their first rows."""
    found = {}
    for path in sorted(SAMPLE.rglob("*")):
        if not path.is_file() or path.suffix in (".zip", ".toml"):
            continue
        content = path.read_bytes()
        content = gzip.decompress(content) if path.suffix == ".gz" else content
        name = path.relative_to(SAMPLE).as_posix().removesuffix(".gz")
        found[name] = b"".join(content.splitlines(keepends=True)[: ROWS + 1])
    assert len(found) >= 8
    return found


def flip_bytes(chance: random.Random, content: bytes) -> bytes:
    spoilt = bytearray(content)
    for _ in range(chance.randint(1, 40)):
        spoilt[chance.randrange(len(spoilt))] = chance.randrange(256)
    return bytes(spoilt)


def cut(chance: random.Random, content: bytes) -> bytes:
    start = chance.choice([0, 0, chance.randrange(len(content))])
    return content[start : chance.randrange(start, len(content) + 1)]


def doubled(chance: random.Random, content: bytes) -> bytes:
    return content + content[chance.choice([0, 0, chance.randrange(len(content))]) :]


def swap_columns(chance: random.Random, content: bytes) -> bytes:
    """In a part of the lines two fields change places, the header's sometimes too."""
    lines = content.split(b"\n")
    separator = b";" if lines[0].count(b";") > lines[0].count(b",") else b","
    one, other = chance.randrange(12), chance.randrange(12)
    for i in range(chance.choice([0, 1]), len(lines), chance.choice([1, 2, 7])):
        cells = lines[i].split(separator)
        if max(one, other) < len(cells):
            cells[one], cells[other] = cells[other], cells[one]
            lines[i] = separator.join(cells)
    return b"\n".join(lines)


def mix_encodings(chance: random.Random, content: bytes) -> bytes:
    text = content.decode().replace("wheat", "Weizen ä€").replace("Mill", "Mühle")
    at = chance.randrange(len(text))
    codecs = ["utf-8", "windows-1252", "utf-16", "utf-16-le", "utf-8-sig"]
    first, second = chance.choice(codecs), chance.choice(codecs)
    return text[:at].encode(first, "replace") + text[at:].encode(second, "replace")


def zero_bytes(chance: random.Random, content: bytes) -> bytes:
    at = chance.randrange(len(content) + 1)
    return content[:at] + bytes(chance.choice([1, 3, 600])) + content[at + chance.choice([0, 600]) :]


def words_for_numbers(chance: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    separator = b";" if lines[0].count(b";") > lines[0].count(b",") else b","
    words = [
        b"many",
        b"#REF!",
        b"1e999",
        b"-inf",
        b"0x1F",
        b"1.2.3",
        b"--5",
        b'"',
        b"=1+1",
        b"12 rpm",
        "٣".encode(),
    ]
    for _ in range(chance.randint(1, 30)):
        i = chance.randrange(1, len(lines))
        cells = lines[i].split(separator)
        cells[chance.randrange(len(cells))] = chance.choice(words)
        lines[i] = separator.join(cells)
    return b"\n".join(lines)


def one_long_line(chance: random.Random, content: bytes) -> bytes:
    at = content.find(b"\n", chance.randrange(len(content))) + 1
    return content[:at] + chance.choice([b"a", b",", b'"', b"1,", b"\xff"]) * 300_000 + b"\n" + content[at:]


def drop_line_ends(chance: random.Random, content: bytes) -> bytes:
    ends = {"all": b"", "old": b"\r", "double": b"\r\r\n", "next line": "\u0085".encode(), "feed": b"\x0c\n"}
    return content.replace(b"\n", ends[chance.choice(list(ends))])


def quotes(chance: random.Random, content: bytes) -> bytes:
    spoilt = content
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(spoilt) + 1)
        spoilt = spoilt[:at] + chance.choice([b'"', b'""', b'"\n', b',"', b'",']) + spoilt[at:]
    return spoilt


def odd_times(chance: random.Random, content: bytes) -> bytes:
    """Times of another form, another century, or none, in all or a few rows."""
    new = [b"0000-00-00", b"2026-02-30", b"20/07/26", b"1e9", b"", b"99999-12-31", b"20260720", b"NaT", b"-1"]
    chosen = chance.choice(new)
    return content.replace(b"2026-07-20", chosen, chance.choice([1, 20, -1]))


def shifted_dates(chance: random.Random, content: bytes) -> bytes:
    """Days of some or all rows moved, to another month, a leap day, another century, or by a clock change."""
    new = chance.choice(
        [b"2026-07-21", b"2024-02-29", b"1970-01-01", b"2099-12-31", b"2026-03-29", b"2026-10-25"]
    )
    lines = content.split(b"\n")
    at = chance.randrange(len(lines))
    for i in range(at, len(lines)):
        for day in (b"2026-07-20", b"2026-07-21", b"2026-07-22"):
            lines[i] = lines[i].replace(day, new)
    return b"\n".join(lines)


def other_units(chance: random.Random, content: bytes) -> bytes:
    """The header states other units, nonsense units, or none."""
    header, _, rest = content.partition(b"\n")
    units = [
        b"mph",
        b"kn",
        b"lb/s",
        b"bu/ac",
        b"degF",
        b"furlong",
        b"",
        b"%",
        b"\xc2\xb0",
        b"km/h",
        b"rpm",
        b"in",
    ]
    for old in chance.sample(
        [b"km/h", b"t/h", b"deg", b"l/h", b"_m_s", b"_kg_s", b"_pct", b"_kg_ha", b"_m2", b"rpm"], 4
    ):
        ending = (
            b"_" + chance.choice(units).replace(b"/", b"_") if old.startswith(b"_") else chance.choice(units)
        )
        header = header.replace(old, ending)
    body = rest.replace(b",rpm,", b"," + chance.choice(units) + b",")
    return header + b"\n" + body


SPOILS: tuple[Spoil, ...] = (
    flip_bytes, cut, doubled, swap_columns, mix_encodings, zero_bytes, words_for_numbers, one_long_line,
    drop_line_ends, quotes, odd_times, shifted_dates, other_units,
)  # fmt: skip
# What can be done to bytes that are no text.
ROUGH_SPOILS: tuple[Spoil, ...] = (flip_bytes, cut, doubled, zero_bytes)


def spoilt_copies(number: int) -> list[tuple[str, bytes]]:
    """``number`` spoilt copies, each of a file and by one or two ways, under a name that tells its making."""
    copies = []
    names = list(originals())
    for seed in range(number):
        chance = random.Random(seed)
        name = names[seed % len(names)]
        ways = [
            SPOILS[(seed // len(names)) % len(SPOILS)],
            *chance.choices(SPOILS, k=chance.choice([0, 0, 1])),
        ]
        content = originals()[name]
        for way in ways:
            content = way(chance, content) if content and _can(way, content) else content
        copies.append(
            (f"{seed} {' and '.join(way.__name__ for way in ways)} {name.replace('/', ' ')}", content)
        )
    return copies


def _can(way: Spoil, content: bytes) -> bool:
    try:
        content.decode()
    except UnicodeDecodeError:
        return way is not mix_encodings
    return b"\n" in content or way not in (words_for_numbers, swap_columns)


def account(name: str, content: bytes) -> None:
    """Read one copy and hold what came of it to what was in it."""
    parsed, reason = read_one(from_bytes(name, content), load_farm(SAMPLE / "farm.toml"), [])
    assert "unexpectedly" not in reason, (name, reason)
    if parsed is None:
        assert reason[-1] in ".}'" and "Traceback" not in reason, (name, reason)
        assert len(reason) < 600, (name, reason)
        return
    frames = [parsed.readings, parsed.adjustments, parsed.loss_checks, parsed.fields]
    main = {"harvest log": 0, "settings log": 1, "loss checks": 2, "boundaries": 3}[parsed.kind]
    kept = set(frames[main]["row"].to_list()) if frames[main] is not None else set()
    aside = set(rows_aside(parsed.set_aside).to_list()) if parsed.set_aside is not None else set()
    assert frames[main] is None or frames[main].height == len(kept), name
    assert not kept & aside, name
    assert len(kept) + len(aside) == parsed.rows_read, name
    assert not lost_lines(content, kept | aside), name


def lost_lines(content: bytes, rows: set[int]) -> list[int]:
    """Numbers of lines that came through the spoiling unharmed, but are in no table and not set aside."""
    sound = {line for original in originals().values() for line in original.split(b"\n")[1:] if line}
    headers = {original.split(b"\n")[0] for original in originals().values()}
    if b"\0" in content or content.lstrip()[:1] == b"{":
        return []
    try:
        lines = content.decode().encode().split(b"\n")
    except UnicodeDecodeError:
        return []
    first = min(rows, default=len(lines) + 1)
    lost = [at for at, line in enumerate(lines, start=1) if at > first and line in sound and at not in rows]
    # A header repeated inside the table is counted as none of its rows.
    return [at for at in lost if lines[at - 1] not in headers]


@pytest.mark.seconds
def test_spoilt_copies_are_accounted_for() -> None:
    for name, content in spoilt_copies(COPIES):
        account(name, content)


@pytest.mark.faults
@pytest.mark.parametrize("part", range(8))
def test_many_spoilt_copies_are_accounted_for(part: int) -> None:
    """In eight parts, so that each takes minutes even where thousands of copies are asked for."""
    for name, content in spoilt_copies(MANY_COPIES_OF_EACH * len(originals()))[part::8]:
        account(name, content)


def packed_originals() -> list[Path]:
    return [path for path in sorted(SAMPLE.rglob("*")) if path.suffix in (".zip", ".gz")]


def account_packed(path: Path) -> None:
    """Whatever one file on disk turns out to hold: read or refused, its rows accounted for."""
    for file in single_file(path):
        parsed, reason = read_one(file, load_farm(SAMPLE / "farm.toml"), [])
        assert "unexpectedly" not in reason, (path.name, reason)
        if parsed is None:
            assert reason[-1] in ".}'", (path.name, reason)
            continue
        frames = [parsed.readings, parsed.adjustments, parsed.loss_checks, parsed.fields]
        kept = {row for frame in frames if frame is not None for row in frame["row"].to_list()}
        aside = set(rows_aside(parsed.set_aside).to_list()) if parsed.set_aside is not None else set()
        # Adjustments of setting columns and boundaries of the logs are no rows of their own.
        assert parsed.rows_read >= len(aside), path.name
        assert parsed.rows_read <= len(kept | aside), path.name


def spoil_packed(path: Path, seed: int, to: Path) -> Path:
    chance = random.Random(seed)
    spoilt = to / f"{seed}{path.suffix}"
    if path.suffix == ".gz" or seed % 2:
        spoilt.write_bytes(chance.choice(ROUGH_SPOILS)(chance, path.read_bytes()))
        return spoilt
    with zipfile.ZipFile(path) as archive:
        members = {info.filename: archive.read(info) for info in archive.infolist()}
    victim = chance.choice(sorted(members))
    # Short logs, so that many copies can be spoilt.
    members = {
        name: content[:60_000] if name.endswith(".BIN") else content for name, content in members.items()
    }
    members[victim] = chance.choice(ROUGH_SPOILS)(chance, members[victim])
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    spoilt.write_bytes(buffer.getvalue())
    return spoilt


@pytest.mark.seconds
@pytest.mark.parametrize("path", packed_originals(), ids=lambda path: path.stem)
def test_spoilt_packed_files(path: Path, tmp_path: Path) -> None:
    for seed in range(2):
        account_packed(spoil_packed(path, seed, tmp_path))


@pytest.mark.faults
@pytest.mark.parametrize("path", packed_originals(), ids=lambda path: path.stem)
def test_many_spoilt_packed_files(path: Path, tmp_path: Path) -> None:
    for seed in range(MANY_COPIES_OF_EACH):
        spoilt = spoil_packed(path, seed, tmp_path)
        account_packed(spoilt)
        spoilt.unlink()


@pytest.mark.parametrize("copies", [60, pytest.param(MANY_COPIES_OF_EACH, marks=pytest.mark.faults)])
def test_spoilt_farms_are_read_or_refused_in_a_sentence(copies: int) -> None:
    text = (SAMPLE / "farm.toml").read_bytes()
    for seed in range(copies):
        chance = random.Random(seed)
        way = chance.choice([flip_bytes, cut, doubled, zero_bytes, mix_encodings, quotes, one_long_line])
        try:
            parse_farm(way(chance, text).decode("utf-8-sig"), "farm.toml")
        except UnicodeDecodeError:
            continue  # refused before it is parsed
        except DeclarationError as refused:
            assert str(refused).startswith("farm.toml") and str(refused).endswith((".", "?")), (
                seed,
                str(refused),
            )
            assert len(str(refused)) < 600, (seed, str(refused)[:700])


@pytest.mark.seconds
def test_an_inbox_of_spoilt_copies(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The whole way: no traceback, exit code 1, a lake that is whole, and the sound file next to them kept."""
    inbox, lake = tmp_path / "inbox", str(tmp_path / "lake")
    inbox.mkdir()
    for name, content in spoilt_copies(COPIES)[::5]:
        (inbox / name).write_bytes(content)
    sound = originals()["combine_a/harvest_2026-07-20.csv"]
    (inbox / "sound.csv").write_bytes(sound)
    (inbox / "farm.toml").write_bytes((SAMPLE / "farm.toml").read_bytes())
    assert run(["ingest", str(inbox), "--lake", lake]) == 1
    result = capsys.readouterr()
    assert "Traceback" not in result.out + result.err and "unexpectedly" not in result.out
    assert f"sound.csv: harvest log, {ROWS} of {ROWS} rows kept." in result.out
    assert run(["check", "--lake", lake]) == 0
    for table in ("deliveries", "set_aside"):
        assert run(["export", table, "--lake", lake, "--to", str(tmp_path / f"{table}.parquet")]) == 0
    ledger = pl.read_parquet(tmp_path / "deliveries.parquet")
    aside = pl.read_parquet(tmp_path / "set_aside.parquet")
    assert (ledger["rows_read"] == ledger["rows_kept"] + ledger["rows_set_aside"]).all()
    assert (
        ledger["rows_set_aside"].sum()
        == aside.filter(pl.col("row_kept") == 0).select("delivery", "row").n_unique()
    )
