"""Loss checks: weighed or counted, with the units of the form they were written on."""

from __future__ import annotations

import json

import pytest
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.schemas.tables import tables


def parsed(text):
    found = read(from_bytes("checks.csv", text.encode()), Farm(), [])
    assert found.kind == "loss checks"
    assert found.rows_read == found.loss_checks.height + found.set_aside["row"].n_unique()
    tables()["loss_checks"].conform(found.loss_checks)
    return found


def test_a_weighed_loss():
    row = parsed(
        "time,machine,field,machine_loss_kg_ha,who\n2026-08-01T10:00:00Z,A,Mill,45,Ann\n"
    ).loss_checks.row(0, named=True)
    assert (row["machine"], row["field"], row["machine_loss_kg_ha"]) == ("A", "Mill", 45.0)
    assert json.loads(row["other"]) == {"who": "Ann"}


def test_a_counted_loss_in_the_units_of_the_header():
    row = parsed(
        "time,machine,place,kernels,Frame area (ft2),frames,TKW (g),discharge width (ft),cut width (in)\n"
        "2026-08-01T10:00:00Z,A,Cleaning,34,2,4,45,20,360\n"
    ).loss_checks.row(0, named=True)
    assert (row["place"], row["kernels"], row["frames"]) == ("cleaning", 34.0, 4.0)
    assert row["thousand_kernel_mass_g"] == 45.0
    # Feet and inches are exact in metres: NIST SP 811, from memory.
    assert row["frame_area_m2"] == pytest.approx(2 * 0.3048**2)
    assert row["discharge_width_m"] == pytest.approx(20 * 0.3048)
    assert row["cut_width_m"] == pytest.approx(360 * 0.0254)


def test_pounds_an_acre():
    row = parsed("time,machine,loss (lb/ac)\n2026-08-01T10:00:00Z,A,100\n").loss_checks.row(0, named=True)
    assert row["machine_loss_kg_ha"] == pytest.approx(45.359237 / 0.40468564224)


def test_a_row_without_any_loss_and_one_with_words_go_aside():
    found = parsed(
        "time,machine,kernels\n2026-08-01T10:00:00Z,A,\n2026-08-01T10:01:00Z,A,many\n2026-08-01T10:02:00Z,A,3\n"
    )
    assert [(a["row"], a["rule"]) for a in found.set_aside.to_dicts()] == [
        (2, "no_loss"),
        (3, "not_a_number"),
        (3, "no_loss"),
    ]
    assert found.set_aside["sentence"][0] == (
        "The row has neither a loss in kg/ha, nor a count of kernels, nor a weighed sample."
    )


def test_a_weighed_pan():
    checks = parsed(
        "time,machine,pan mass (g),frame area (ft2),discharge width (ft),cut width (ft)\n"
        "2026-08-01T10:00:00Z,A,3,1,5,30\n"
    ).loss_checks
    assert checks["sample_mass_g"].to_list() == [3.0]
    # Canola Council of Canada, Canola Watch, 23 Aug 2017: cut 30 ft, discharge 5 ft, factor 6; 3 g on a square
    # foot of the strip are 48.0 lb/ac over the cut: arithmetic.
    (found,) = loss_check_kg_ha(checks).to_dicts()
    assert found["machine_loss_kg_ha"] * 0.40468564224 / 0.45359237 == pytest.approx(48.0, abs=0.05)
    assert (found["basis"], found["sentence"], found["standard_error_kg_ha"]) == ("weighed", None, None)
