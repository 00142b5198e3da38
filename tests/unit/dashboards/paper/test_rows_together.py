"""No page may divide the first or the last rows of a table, or a heading row from what it heads."""

from __future__ import annotations

from chaffinch.dashboards.paper.printing import rows_together
from hypothesis import given
from hypothesis import strategies as st


@given(st.lists(st.booleans(), max_size=60))
def test_every_row_is_in_one_run_and_ends_stay_whole(bands: list[bool]) -> None:
    runs = rows_together(bands)
    assert sum(runs) == len(bands) and all(run > 0 for run in runs)
    if bands:
        assert runs[0] >= min(3, len(bands)) and runs[-1] >= min(3, len(bands))
    at = 0
    for run in runs:
        at += run
        # A page may end after this run: not with a row that heads another.
        assert at == len(bands) or not bands[at - 1]
