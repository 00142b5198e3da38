"""Effective cutting width by geometry, against areas that shapely unites and spacings that are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from builders import driven_ways
from chaffinch.pipelines.work import mark_work
from chaffinch.pipelines.work.delays.lag import Delays, Lag
from chaffinch.pipelines.work.series import seconds_of, values_of
from chaffinch.pipelines.work.swath import effective_width
from chaffinch.pipelines.work.track import track

legs, readings_of = driven_ways.legs, driven_ways.readings_of
to_and_fro, turned = driven_ways.to_and_fro, driven_ways.turned

DELAYS = Delays(Lag(12.0, 0.2), Lag(8.0, 0.2), Lag(8.0, 0.2), Lag(15.0, 0.2))
WIDTH_M = 9.0


def widths(way: np.ndarray, noise_m: float = 0.0, width_m: float = WIDTH_M):
    log = readings_of(way, width_m, noise_m)
    time_s = seconds_of(log["time"])
    working = log["working"].to_numpy() == 1
    found, _ = effective_width(track(log, time_s), working, values_of(log, "working_width_m"))
    return found, working


def union_m2(way: np.ndarray, width_m: float = WIDTH_M) -> float:
    """Area of all strips between one reading and the next in work, united."""
    strips = []
    for (x0, y0, w0, h0), (x1, y1, w1, h1) in zip(way[:-1], way[1:], strict=True):
        if w0 and w1 and np.hypot(x1 - x0, y1 - y0) < 20:
            sides = [
                (
                    x + side * np.cos(np.radians(h)) * width_m / 2,
                    y - side * np.sin(np.radians(h)) * width_m / 2,
                )
                for x, y, h, side in ((x0, y0, h0, -1), (x0, y0, h0, 1), (x1, y1, h1, 1), (x1, y1, h1, -1))
            ]
            strips.append(shapely.Polygon(sides).buffer(0))
    return shapely.union_all(strips).area


@pytest.mark.seconds
@pytest.mark.parametrize("spacing_m", [8.9, 8.0, 6.0, 3.0])
@pytest.mark.parametrize("degrees", [0.0, 37.0, 211.0])
def test_overlapping_passes_have_their_spacing_as_width(spacing_m, degrees):
    """Within 3 % of the spacing at every reading of every pass but the first, with 2 cm of noise."""
    swaths, working = widths(turned(to_and_fro(spacing_m), degrees), noise_m=0.02)
    found = swaths[working][160:]
    found = found[np.isfinite(found)]
    assert found.size > 1500
    assert np.median(found) == pytest.approx(spacing_m, rel=0.01)
    assert np.mean(np.abs(found / spacing_m - 1) < 0.03) > 0.95


@pytest.mark.parametrize(("spacing_m", "noise_m"), [(8.7, 0.15), (7.5, 0.15), (7.5, 0.3)])
def test_a_receiver_that_jumps_about_hardly_moves_the_width(spacing_m, noise_m):
    """Noise of 15 to 30 cm from second to second: on average right to half a percent, four in five within 3 %."""
    swaths, working = widths(to_and_fro(spacing_m), noise_m=noise_m)
    found = swaths[working][160:]
    found = found[np.isfinite(found)]
    assert found.mean() == pytest.approx(spacing_m, rel=0.005)
    assert np.mean(np.abs(found / spacing_m - 1) < 0.03) > 0.75


def field_with_headlands() -> np.ndarray:
    """Two rounds of headland first, then passes to and fro into them, and a wedge cut at a slant."""
    a, b = 4.5, 13.5
    points = [(-a, -a, False)]
    for d in (a, b):
        points += [(d - 9, d - 9, False), (d - 9, 200 - d, True), (150 - d, 200 - d, True)]
        points += [(150 - d, d, True), (d, d, True)]
    for k in range(12):
        x = 22.5 + 8.6 * k
        ends = (10.0, 190.0) if k % 2 == 0 else (190.0, 10.0)
        points += [(x, ends[0], False), (x, ends[1], True)]
    points += [(30.0, 210.0, False), (140.0, 260.0, True), (140.0, 215.0, False), (30.0, 215.0, True)]
    return legs(*points)


@pytest.mark.seconds
@pytest.mark.parametrize("degrees", [0.0, 63.0])
def test_the_area_cut_is_that_of_all_strips_united(degrees):
    """Sum of effective width x way over a field with headlands, corners, overlaps and a slanting pass, against
    the area of the union of the strips, made strip by strip with shapely."""
    way = turned(field_with_headlands(), degrees)
    swaths, _ = widths(way)
    step = np.hypot(*np.diff(way[:, :2], axis=0, prepend=way[:1, :2]).T)
    cut = float(np.nansum(swaths * step))
    assert cut == pytest.approx(union_m2(way), rel=0.03)
    full = np.isfinite(swaths)
    assert WIDTH_M * step[full].sum() > 1.08 * cut


def test_a_second_pass_over_cut_ground_has_no_width_and_is_not_used():
    way = legs((0, 0, False), (0, 400, True), (30, 430, False), (0, 400, False), (0, 0, True))
    marked = mark_work(readings_of(way, WIDTH_M), DELAYS)
    again = marked.tail(150)
    assert again["effective_width_m"].max() == pytest.approx(0.0, abs=1e-6)
    assert set(again["unused_because"].to_list()) <= {"cut_ground", "lead_out"}
    assert (marked.head(180)["effective_width_m"].drop_nulls() > 8.99).all()


def test_positions_that_leave_strips_standing_everywhere_are_too_coarse_for_small_overlaps():
    """Passes 9 m apart whose receiver wanders by 0.4 m: half of them show gaps, which nobody leaves; so no
    overlap of that size counts, and the width stays the header's within 3 %."""
    way = to_and_fro(9.0, passes=20)
    rng = np.random.default_rng(3)
    wander = np.convolve(rng.standard_normal(way.shape[0] + 149), np.ones(150) / 150**0.5, "valid") * 0.4
    way[:, 0] += wander
    log = readings_of(way, WIDTH_M)
    working = log["working"].to_numpy() == 1
    swaths, coarse_m = effective_width(
        track(log, seconds_of(log["time"])), working, values_of(log, "working_width_m")
    )
    assert coarse_m > 0.5
    assert np.nanmean(swaths[working]) == pytest.approx(9.0, rel=0.03)


def test_switched_off_sections_are_never_counted_as_cut():
    log = readings_of(to_and_fro(8.9), WIDTH_M)
    narrow = values_of(log, "working_width_m")
    narrow[:100] = 4.5
    swaths, _ = effective_width(track(log, seconds_of(log["time"])), log["working"].to_numpy() == 1, narrow)
    assert np.nanmax(swaths[:100]) == pytest.approx(4.5)


def test_without_positions_nothing_is_claimed():
    log = readings_of(to_and_fro(8.0), WIDTH_M).drop("latitude", "longitude")
    marked = mark_work(log, DELAYS)
    assert marked["effective_width_m"].null_count() == log.height
    assert marked["usable"].sum() > 1000


@pytest.mark.parametrize("wrong", ["stuck at 0", "counted from east, the other way round"])
def test_a_heading_that_contradicts_the_positions_is_not_believed(wrong):
    """Passes to the east and back: with such a heading the header would be over ground already cut. From memory:
    loggers that write the angle of mathematics, and receivers whose heading stays at its first value."""
    way = turned(to_and_fro(8.0), 90.0)
    log = readings_of(way, WIDTH_M)
    sound = log["heading_deg"].to_numpy()
    logged = np.zeros(sound.size) if wrong == "stuck at 0" else (90.0 - sound) % 360.0
    log = log.with_columns(heading_deg=logged)
    working = log["working"].to_numpy() == 1
    swaths, _ = effective_width(
        track(log, seconds_of(log["time"])), working, values_of(log, "working_width_m")
    )
    assert np.nanmedian(swaths[working][160:]) == pytest.approx(8.0, rel=0.01)
