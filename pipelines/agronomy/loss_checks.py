"""Rows of the table ``loss_checks``, weighed or counted, as kg/ha with a standard error."""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.loss import (
    concentration_factor,
    counted_loss_error_kg_ha,
    counted_loss_kg_ha,
    machine_loss_kg_ha,
    weighed_loss_kg_ha,
)
from chaffinch.pipelines.array_types import Array

BEHIND = ("machine", "separation", "cleaning")
"""Places whose grain left the rear of the machine and lies in the discharge strip."""
BEFORE = ("header", "pre-harvest")
"""Places whose grain lies where it fell."""

_NUMBERS = (
    "machine_loss_kg_ha",
    "kernels",
    "sample_mass_g",
    "frame_area_m2",
    "frames",
    "thousand_kernel_mass_g",
    "discharge_width_m",
    "cut_width_m",
)


def loss_check_kg_ha(
    frame: pl.DataFrame,
    *,
    thousand_kernel_mass_g: float | None = None,
    cut_width_m: float | None = None,
) -> pl.DataFrame:
    """``frame`` (rows of ``loss_checks``) with what each check says, one row out for one in, order kept.

    Adds ``loss_kg_ha``, of the place counted; ``standard_error_kg_ha``; ``basis``, "as given", "weighed" or
    "counted"; and ``sentence``, why a row gives no loss or what was assumed, else null. ``machine_loss_kg_ha``
    is filled for rows of place "machine" (or none); it is null for the other places, whose loss is in
    ``loss_kg_ha``.

    A loss stated in the row goes before a weighed sample, and that before a count. The error of a stated loss is
    not known (null); that of a sample or count is the least possible (Poisson; of a sample by the mass of its
    kernels, null where that is not known). What lay in the
    header zone is taken off samples and counts of place "machine": the mean of the rows of place "header" of
    the same machine, field and day (UTC), else of "pre-harvest". Those of "separation" and "cleaning" come from
    divided pans, which hold nothing but discharge. Behind the machine the concentration factor applies; without
    a discharge width the residue is taken as spread over the cut.

    ``thousand_kernel_mass_g`` [g] and ``cut_width_m`` [m] stand in where a row lacks its own.
    """
    known = _with_every_column(frame).with_columns(
        place=_place(),
        thousand_kernel_mass_g=pl.coalesce(
            "thousand_kernel_mass_g", pl.lit(thousand_kernel_mass_g, pl.Float64)
        ),
        cut_width_m=pl.coalesce("cut_width_m", pl.lit(cut_width_m, pl.Float64)),
        frames=pl.col("frames").fill_null(1.0),
    )
    judged = _over_the_cut(_less_background(known.with_columns(_on_the_ground(known))))
    stated = pl.col("machine_loss_kg_ha").is_not_null()
    result = judged.select(
        loss_kg_ha=pl.coalesce("machine_loss_kg_ha", "found_kg_ha"),
        standard_error_kg_ha=pl.when(~stated).then("found_error_kg_ha"),
        basis=pl.when(stated)
        .then(pl.lit("as given"))
        .when(pl.col("found_kg_ha").is_not_null())
        .then(pl.when(_has_sample()).then(pl.lit("weighed")).otherwise(pl.lit("counted"))),
        sentence=pl.when(~stated).then(_what_is_missing()),
        is_machine=pl.col("place") == "machine",
    )
    machine = pl.when("is_machine").then("loss_kg_ha")
    return (
        _with_every_column(frame)
        .with_columns(result)
        .with_columns(machine_loss_kg_ha=machine)
        .select(*dict.fromkeys((*frame.columns, "machine_loss_kg_ha", *result.columns[:-1])))
    )


def _with_every_column(frame: pl.DataFrame) -> pl.DataFrame:
    """``frame`` with the columns used here: absent ones null, numbers finite or null."""
    texts = [
        pl.lit(None, pl.String).alias(c) for c in ("machine", "field", "place") if c not in frame.columns
    ]
    if "time" not in frame.columns:
        texts.append(pl.lit(None, pl.Datetime("us", "UTC")).alias("time"))
    numbers = [(pl.col(c) if c in frame.columns else pl.lit(None)).cast(pl.Float64) for c in _NUMBERS]
    return frame.with_columns(
        *texts,
        *(pl.when(n.is_finite()).then(n).alias(c) for n, c in zip(numbers, _NUMBERS, strict=True)),
    )


def _place() -> pl.Expr:
    """The place as the contract writes it; none means behind the machine."""
    written = pl.col("place").str.strip_chars().str.to_lowercase().str.replace_all(r"[\s_]+", "-")
    return written.replace({"preharvest": "pre-harvest", "": "machine"}).fill_null("machine")


def _has_sample() -> pl.Expr:
    return (pl.col("sample_mass_g") >= 0).fill_null(False)


def _on_the_ground(known: pl.DataFrame) -> list[pl.Series]:
    """``ground_kg_ha`` and ``ground_error_kg_ha`` on the spot of each check; null where the check lacks something.

    The error of a sample is that of the kernels that make it up.
    """
    place = known["place"].is_in((*BEHIND, *BEFORE)).to_numpy()
    frame, frames, kernel_g, kernels, sample_g = (
        known[c].fill_null(np.nan).to_numpy()
        for c in ("frame_area_m2", "frames", "thousand_kernel_mass_g", "kernels", "sample_mass_g")
    )
    mass_g = np.where(kernel_g > 0, kernel_g, np.nan)
    with np.errstate(over="ignore", invalid="ignore"):
        area_m2 = np.where((frame > 0) & (frames > 0), frame * frames, np.nan)
        weighed = sample_g >= 0
        count = np.where(weighed, 1000.0 * sample_g / mass_g, np.where(kernels >= 0, kernels, np.nan))
        counted = counted_loss_kg_ha(count, area_m2, mass_g)
        found = np.where(weighed, weighed_loss_kg_ha(sample_g, area_m2), counted)
        error = counted_loss_error_kg_ha(count, area_m2, mass_g)
    return [
        _series("ground_kg_ha", np.where(place, found, np.nan)),
        _series("ground_error_kg_ha", np.where(place, error, np.nan)),
    ]


def _less_background(counted: pl.DataFrame) -> pl.DataFrame:
    """Adds ``background_kg_ha`` and its variance, of counts of place "machine": 0 where none was counted."""
    where = ["machine", "field", "day"]
    found = counted.with_columns(day=pl.col("time").dt.date())
    for place in BEFORE:
        mean = (
            found.filter((pl.col("place") == place) & pl.col("ground_kg_ha").is_not_null())
            .group_by(where)
            .agg(
                pl.col("ground_kg_ha").mean().alias(f"{place}_kg_ha"),
                ((pl.col("ground_error_kg_ha") ** 2).sum() / pl.len() ** 2).alias(f"{place}_variance"),
            )
        )
        found = found.join(
            mean, on=where, how="left", nulls_equal=True, maintain_order="left", validate="m:1"
        )
    return found.with_columns(
        pl.when(pl.col("place") == "machine")
        .then(pl.coalesce(f"header_{of}", f"pre-harvest_{of}", pl.lit(0.0)))
        .otherwise(0.0)
        .alias(f"background_{of}")
        for of in ("kg_ha", "variance")
    )


def _over_the_cut(counted: pl.DataFrame) -> pl.DataFrame:
    """Adds ``found_kg_ha`` and its error over the cut width; null where one is not finite.

    A sample whose kernels have no known mass has a loss and no error; a count beyond all measure has neither.
    """
    cut, discharge, ground, error, background, variance = (
        counted[c].fill_null(np.nan).to_numpy()
        for c in (
            "cut_width_m",
            "discharge_width_m",
            "ground_kg_ha",
            "ground_error_kg_ha",
            "background_kg_ha",
            "background_variance",
        )
    )
    in_strip = counted["place"].is_in(BEHIND).to_numpy() & ~np.isnan(discharge)
    factor = np.where(in_strip, concentration_factor(np.where(cut > 0, cut, np.nan), discharge), 1.0)
    with np.errstate(over="ignore", invalid="ignore"):
        found = np.asarray(machine_loss_kg_ha(ground, background, factor))
        error = np.asarray(machine_loss_kg_ha(np.sqrt(error**2 + variance), 0.0, factor))
    weighed = counted.select(_has_sample()).to_series().to_numpy()
    possible = np.isfinite(found) & (np.isfinite(error) | weighed)
    return counted.with_columns(
        _series("found_kg_ha", np.where(possible, found, np.nan)),
        _series("found_error_kg_ha", np.where(possible & np.isfinite(error), error, np.nan)),
    )


def _series(name: str, values: Array) -> pl.Series:
    """A column with null for NaN."""
    return pl.Series(name, values, dtype=pl.Float64).fill_nan(None)


def _what_is_missing() -> pl.Expr:
    """Why a check gives no loss, or what it assumes: the first sentence that applies, else null."""
    behind = pl.col("place").is_in(BEHIND)
    has_width = pl.col("discharge_width_m").is_not_null()
    places = (*BEHIND, *BEFORE)
    sentences = {
        f"The place is none of {', '.join(places)}, so it is not clear what was counted.": (
            ~pl.col("place").is_in(places)
        ),
        _lacks("the number of kernels or a weighed sample"): ~(
            (pl.col("kernels") >= 0).fill_null(False) | _has_sample()
        ),
        _lacks("the area of a frame"): _not_positive("frame_area_m2"),
        _lacks("the mass of 1000 kernels"): _not_positive("thousand_kernel_mass_g") & ~_has_sample(),
        "The number of frames is not above zero.": _not_positive("frames"),
        "The discharge width is not above zero; leave it out if residue was spread.": (
            behind & has_width & _not_positive("discharge_width_m")
        ),
        "The discharge width is stated and the cut width is not; state both in metres.": (
            behind & has_width & _not_positive("cut_width_m")
        ),
        "The numbers of the check are beyond anything that can be counted or weighed.": pl.col(
            "found_kg_ha"
        ).is_null(),
        "No discharge width: taken as spread over the whole cut.": behind & ~has_width,
    }
    return pl.coalesce(pl.when(applies).then(pl.lit(s)) for s, applies in sentences.items())


def _lacks(what: str) -> str:
    return f"The check states no loss and lacks {what}, or it is not above zero."


def _not_positive(column: str) -> pl.Expr:
    return ~(pl.col(column) > 0).fill_null(False)
