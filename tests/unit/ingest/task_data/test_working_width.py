"""The width of a machine whose rows and sections log or describe their own. Widths and sums by hand."""

from __future__ import annotations

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data

WIDTH, LARGEST, OFFSET, STATE, SPEED = 67, 70, 135, 141, 397
DEVICE, FUNCTION, SECTION, UNIT = 1, 2, 4, 5
Element = tuple[int, list[int], dict[int, int]]


def machine(*elements: Element) -> str:
    """A device of elements below the first; each: kind, identifiers that it logs, those with a fixed number."""
    parts, objects = [], []
    for number, (kind, logged, fixed) in enumerate(elements, 1):
        references = ""
        for identifier in [*logged, *fixed]:
            place = 1000 + len(objects)
            objects.append(
                f'<DPD A="{place}" B="{identifier:04X}" C="1" D="8"/>'
                if identifier in logged
                else f'<DPT A="{place}" B="{identifier:04X}" C="{fixed[identifier]}"/>'
            )
            references += f'<DOR A="{place}"/>'
        parent = 0 if number == 1 else 1
        parts.append(
            f'<DET A="DET-{number}" B="{number}" C="{kind}" E="{number}" F="{parent}">{references}</DET>'
        )
    return f'<DVC A="DVC-1" B="Third Combine" D="A00E000000000001">{"".join(parts + objects)}</DVC>'


def widths(described: str, listed: list[tuple[int, int]], rows: list[list[int | None]]) -> list[float | None]:
    """Working width of each second; ``listed``: identifier and element, ``rows``: their raw values by second."""
    data = b"".join(
        sets.record(second, [(place, raw) for place, raw in enumerate(row) if raw is not None])
        for second, row in enumerate(rows)
    )
    files = sets.members(
        TASKDATA_XML=sets.task_file(devices=described),
        TLG00001_XML=sets.header(sets.values(*listed)),
        TLG00001_BIN=data,
    )
    readings = read_task_data(files, "set", Farm(time_zone="UTC")).readings
    assert readings is not None
    if "working_width_m" not in readings.columns:
        return [None] * len(readings)
    return readings["working_width_m"].round(9).to_list()


def rows_of_a_header(count: int, width_mm: int, logged: list[int], *fixed: int) -> list[Element]:
    """Units side by side, each with an offset of its own."""
    first = -width_mm * (count - 1) // 2
    return [
        (UNIT, logged, {OFFSET: first + width_mm * n} | dict.fromkeys(fixed, width_mm)) for n in range(count)
    ]


def test_twelve_rows_that_log_their_width_add_up() -> None:
    described = machine((DEVICE, [SPEED], {}), *rows_of_a_header(12, 750, [WIDTH]))
    listed = [(SPEED, 1), *((WIDTH, element) for element in range(2, 14))]
    assert widths(described, listed, [[1500, *[750] * 12], [1500, *[None] * 12]]) == [9.0, 9.0]


def test_rows_count_while_their_state_is_on() -> None:
    described = machine((DEVICE, [], {}), *rows_of_a_header(12, 750, [STATE], WIDTH))
    listed = [(STATE, element) for element in range(2, 14)]
    assert widths(described, listed, [[1] * 12, [0, 0, *[None] * 10], [0] * 12]) == [9.0, 7.5, 0.0]


def test_the_width_of_one_of_32_rows_is_not_that_of_the_machine() -> None:
    """The header is described with 12.192 m, its rows with 0.381 m; one row alone logs its width."""
    rows = rows_of_a_header(32, 381, [STATE])
    described = machine((DEVICE, [], {LARGEST: 12_192}), (UNIT, [WIDTH, STATE], rows[0][2]), *rows[1:])
    listed = [(WIDTH, 2), *((STATE, element) for element in range(2, 34))]
    found = widths(described, listed, [[381, *[1] * 32], [None, *[0] * 8, *[None] * 24]])
    assert found == [12.192, 9.144]


def test_rows_of_the_description_add_up_where_it_gives_no_other_width() -> None:
    described = machine((DEVICE, [SPEED], {}), *rows_of_a_header(32, 381, [], LARGEST))
    assert widths(described, [(SPEED, 1)], [[1500]] * 3) == [12.192] * 3


def test_a_width_that_the_machine_logs_goes_before_those_of_its_rows() -> None:
    described = machine((DEVICE, [WIDTH], {}), *rows_of_a_header(12, 750, [WIDTH]))
    listed = [(WIDTH, element) for element in range(1, 14)]
    assert widths(described, listed, [[8250, *[750] * 12]]) == [8.25]


@pytest.mark.parametrize(
    ("offsets", "expected"),
    [((-2250, 2250), 9.0), ((0, 0), 4.5), ((-100, 100), 4.5), ((None, None), 4.5)],
    ids=["side by side", "at one place", "nearly at one place", "without offsets"],
)
def test_two_functions_add_up_where_their_offsets_show_them_side_by_side(
    offsets: tuple[int | None, int | None], expected: float
) -> None:
    functions: list[Element] = [
        (FUNCTION, [WIDTH], {} if offset is None else {OFFSET: offset}) for offset in offsets
    ]
    described = machine((DEVICE, [SPEED], {}), *functions)
    assert widths(described, [(WIDTH, 2), (WIDTH, 3)], [[4500, 4500]] * 3) == [expected] * 3


def test_sections_whose_offsets_a_writer_left_at_zero_add_up() -> None:
    sections: list[Element] = [(SECTION, [WIDTH], {OFFSET: 0})] * 3
    described = machine((DEVICE, [], {}), *sections)
    assert widths(described, [(WIDTH, 2), (WIDTH, 3), (WIDTH, 4)], [[3000, 3000, 3000]]) == [9.0]


def test_no_width_before_every_part_has_logged_its_own() -> None:
    described = machine((DEVICE, [], {}), (SECTION, [WIDTH], {}), (SECTION, [WIDTH], {}))
    assert widths(described, [(WIDTH, 2), (WIDTH, 3)], [[4000, None], [None, 5000], [None, None]]) == [
        None,
        9.0,
        9.0,
    ]


def test_condensed_states_switch_the_rows_from_left_to_right() -> None:
    described = machine((DEVICE, [161], {}), *rows_of_a_header(4, 3000, [], WIDTH))
    not_there = sum(0b11 << 2 * k for k in range(4, 16))
    all_on, left_off = not_there | 0b01010101, not_there | 0b01010100
    assert widths(described, [(161, 1)], [[all_on - 2**32], [left_off - 2**32]]) == [12.0, 9.0]
