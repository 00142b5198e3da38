"""Published tip speeds of drums and rotors against the formula."""

from __future__ import annotations

import pytest
from builders.us_units import FOOT_M, INCH_M
from chaffinch.pipelines.agronomy.tip_speed import speed_rpm, tip_speed_m_s


@pytest.mark.parametrize(("diameter_in", "rpm"), [(22, 300), (30, 220), (17, 390)])
def test_sunflower_drums(diameter_in, rpm):
    # NDSU sunflower handbook EB-25, 2007: all three are "1,725 ft/min".
    ft_min = tip_speed_m_s(diameter_in * INCH_M, rpm) / FOOT_M * 60
    assert ft_min == pytest.approx(1725, rel=0.007)  # the handbook rounds; exact, recomputed:
    exact = {22: (1727.9, 8.78), 30: (1727.9, 8.78), 17: (1735.7, 8.82)}[diameter_in]
    assert ft_min == pytest.approx(exact[0], abs=0.05)
    assert tip_speed_m_s(diameter_in * INCH_M, rpm) == pytest.approx(exact[1], abs=0.005)


@pytest.mark.parametrize(
    ("rpm", "printed", "exact"),
    [(450, 9.4, 9.42), (500, 10.5, 10.47), (550, 11.5, 11.52), (600, 12.6, 12.57)],
)
def test_axial_corn_sheller(rpm, printed, exact):
    # Egyptian corn-sheller trial (4 moistures, 3 clearances): the speeds imply a drum of 0.40 m.
    assert tip_speed_m_s(0.40, rpm) == pytest.approx(printed, abs=0.0501)
    assert tip_speed_m_s(0.40, rpm) == pytest.approx(exact, abs=0.005)


@pytest.mark.parametrize(("rpm", "printed"), [(550, 14.67), (650, 17.35), (750, 20.01)])
def test_paddy_thresher(rpm, printed):
    # Iranian J. Biosystems Eng., art. 23116: the speeds imply a drum of 0.5095 m.
    assert tip_speed_m_s(0.5095, rpm) == pytest.approx(printed, abs=0.011)


def test_paddy_thresher_misprint():
    # The same paper prints 22.37 m/s at 850 rpm; its own other rows ask for 22.68. A slip of print.
    ours = tip_speed_m_s(0.5095, 850)
    assert ours == pytest.approx(22.68, abs=0.01)
    assert abs(ours - 22.37) > 0.25


@pytest.mark.parametrize(("rpm", "metres_per_s"), [(700, 19.54), (900, 25.12), (1100, 30.70)])
def test_wheat_drum(rpm, metres_per_s):
    # Drum and speeds: Harrison, Can. Agric. Eng. 17:55-58, 1975; the tip speeds are arithmetic.
    assert tip_speed_m_s(0.533, rpm) == pytest.approx(metres_per_s, abs=0.005)


@pytest.mark.parametrize(("metres_per_s", "rpm"), [(7.54, 300), (10.01, 398), (12.56, 500)])
def test_soybean_rotor(metres_per_s, rpm):
    # Tip speeds: Chansrakoo & Chuan-Udom, Eng. J. 22(4):109-120, 2018, which prints its
    # rotor as "0.48 mm": metres.
    assert speed_rpm(metres_per_s, 0.48) == pytest.approx(rpm, abs=0.5)


def test_twenty_metres_a_second():
    # 20 m/s at 0.5 m -> 763.9 rpm: an examination solution in a public repository.
    assert speed_rpm(20, 0.5) == pytest.approx(763.9, abs=0.05)


@pytest.mark.parametrize(
    ("at_550", "at_850", "per_100_rpm", "per_m_s"),
    # Paddy at 550 and 850 rpm (Iranian J. Biosystems Eng., art. 23116): cracked at 20 % and 20 kg/min, cracked
    # at 16 % and 12 kg/min, broken, husked, all in %. The slopes are arithmetic.
    [
        (6.137, 8.557, 0.8067, 0.3023),
        (8.797, 18.077, 3.0933, 1.1594),
        (0.713, 1.173, 0.1533, 0.0575),
        (0.823, 1.447, 0.2080, 0.0780),
    ],
)
def test_damage_per_100_rpm_is_this_per_metre_a_second(at_550, at_850, per_100_rpm, per_m_s):
    assert (at_850 - at_550) / 3 == pytest.approx(per_100_rpm, abs=5e-5)
    # Recomputed with the drum that the printed speeds imply, 0.5095 m, itself rounded: 1 in 1,000.
    assert (at_850 - at_550) / tip_speed_m_s(0.5095, 300) == pytest.approx(per_m_s, rel=1e-3)
