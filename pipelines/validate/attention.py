"""What in one file needs an action of the user, apart from rows set aside."""

from __future__ import annotations

import re

from chaffinch.pipelines.parsed import Parsed

LONGEST_NAME = 80
_PATH_OR_CODE = re.compile(r"\.\.[/\\]|^[/\\~]|^[A-Za-z]:[/\\]|<[^>]*>|\{\{|\$\{")
MOST_NAMES = 3


def attention(parsed: Parsed) -> tuple[str, ...]:
    """A sentence for each thing in ``parsed`` that the user should see to.

    A name that looks like a path or like code is kept as it is; saying so shows a slip of the logger.
    """
    found = list(parsed.attention)
    # A day without an adjustment leaves an empty settings log; a day without a reading leaves no log.
    if parsed.kind == "harvest log" and not parsed.rows_read:
        found.append("The file has a header but no rows; export it again, or remove it.")
    tables = (
        parsed.readings,
        parsed.adjustments,
        parsed.loss_checks,
        parsed.load_tickets,
        parsed.trials,
        parsed.fields,
    )
    frames = [f for f in tables if f is not None]
    for word in ("machine", "field"):
        named = {n for f in frames if word in f.columns for n in f[word].drop_nulls().unique().to_list()}
        odd = sorted(n for n in named if _PATH_OR_CODE.search(n) or len(n) > LONGEST_NAME)
        for name in odd[:MOST_NAMES]:
            shown = name if len(name) <= LONGEST_NAME else f"{name[:LONGEST_NAME]}..."
            mend = "in the log, or under aliases in farm.toml" if word == "machine" else "in the log"
            found.append(
                f"A {word} is called '{shown}', which is an unusual name; it is kept as text. "
                f"If it is a mistake, correct it {mend}."
            )
    return tuple(found)
