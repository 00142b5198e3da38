"""The damage that real harvest logs have."""

from __future__ import annotations


def damaged(text: str) -> str:
    """``text`` of a harvest log with the damage that real ones have, in rows spread over the file.

    Words where numbers belong, an impossible month, a moisture above all bounds, a row cut short, the header
    once more in the middle.
    """
    lines = text.splitlines()
    separator = next(mark for mark in (";", "\t", ",") if mark in lines[0])
    header = lines[0].split(separator)
    moisture = next(i for i, name in enumerate(header) if "moisture" in name.lower())
    speed = next(i for i, name in enumerate(header) if "speed" in name.lower())

    def damage(row: int, column: int, value: str) -> None:
        fields = lines[row].split(separator)
        fields[column] = value
        lines[row] = separator.join(fields)

    every = len(lines) // 8
    damage(every, moisture, "999")
    damage(every + 1, moisture, "999")
    damage(2 * every, speed, "ERR")
    damage(3 * every, 0, lines[3 * every].split(separator)[0].replace("-07-", "-13-").replace("-08-", "-13-"))
    lines[4 * every] = lines[4 * every][: len(lines[4 * every]) // 3]
    damage(5 * every, moisture, "-12")
    lines.insert(6 * every, lines[0])
    return "\n".join(lines) + "\n"
