"""Rows of the table ``loss_checks``, weighed or counted, as kg/ha with a standard error."""

from __future__ import annotations

import polars as pl

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
    weighed_relative_error: float | None = None,
) -> pl.DataFrame:
    """``frame`` (rows of ``loss_checks``) with what each check says, one row out for one in, order kept.

    Adds ``loss_kg_ha``, of the place counted; ``standard_error_kg_ha``; ``basis``, "as given", "weighed" or
    "counted"; and ``sentence``, why a row gives no loss or what was assumed, else null. ``machine_loss_kg_ha``
    is filled for rows of place "machine" (or none); it is null for the other places, whose loss is in
    ``loss_kg_ha``.

    A loss stated in the row goes before a weighed sample, and that before a count. The error of a stated loss
    is ``weighed_relative_error`` times it, null where that is not given; that of a sample or count is the least
    possible (Poisson; of a sample by the mass of its kernels, null where that is not known). What lay in the
    header zone is taken off samples and counts of place "machine": the mean of the rows of place "header" of
    the same machine, field and day (UTC), else of "pre-harvest". Those of "separation" and "cleaning" come from
    divided pans, which hold nothing but discharge. Behind the machine the concentration factor applies; without
    a discharge width the residue is taken as spread over the cut.

    ``thousand_kernel_mass_g`` [g] and ``cut_width_m`` [m] stand in where a row lacks its own.
    """
    known = _with_every_column(frame).with_columns(
        place=_place(),
        thousand_kernel_mass_g=_or_else("thousand_kernel_mass_g", thousand_kernel_mass_g),
        cut_width_m=_or_else("cut_width_m", cut_width_m),
        frames=pl.col("frames").fill_null(1.0),
    )
    counted = _on_the_ground(known)
    judged = _take_off_background(counted).with_columns(_as_shared_out())
    stated = pl.col("machine_loss_kg_ha").is_not_null()
    result = judged.select(
        loss_kg_ha=pl.coalesce("machine_loss_kg_ha", "count_kg_ha"),
        standard_error_kg_ha=pl.when(stated)
        .then(pl.col("machine_loss_kg_ha").abs() * pl.lit(weighed_relative_error, pl.Float64))
        .otherwise("count_error_kg_ha"),
        basis=pl.when(stated)
        .then(pl.lit("as given"))
        .when(pl.col("count_kg_ha").is_not_null())
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


def _or_else(column: str, stand_in: float | None) -> pl.Expr:
    return pl.coalesce(column, pl.lit(stand_in, pl.Float64))


def _positive(column: str) -> pl.Expr:
    return pl.when(pl.col(column) > 0).then(pl.col(column))


def _has_sample() -> pl.Expr:
    return (pl.col("sample_mass_g") >= 0).fill_null(False)


def _on_the_ground(known: pl.DataFrame) -> pl.DataFrame:
    """Adds what lay on the ground at each check, before sharing it out: kg/ha and its variance.

    A sample has the variance of the kernels that make it up.
    """
    area_m2 = _positive("frame_area_m2") * _positive("frames")
    kernel_g = _positive("thousand_kernel_mass_g") / 1000.0
    counted = pl.when(pl.col("kernels") >= 0).then(pl.col("kernels"))
    grams = pl.when(_has_sample()).then(pl.col("sample_mass_g")).otherwise(counted * kernel_g)
    kernels = pl.when(_has_sample()).then(pl.col("sample_mass_g") / kernel_g).otherwise(counted)
    at_least_one = pl.when(kernels >= 1).then(kernels).when(kernels >= 0).then(1.0)
    return known.with_columns(
        ground_kg_ha=pl.when(_known_place()).then(10.0 * grams / area_m2),
        ground_variance=at_least_one * (10.0 * kernel_g / area_m2) ** 2,
        day=pl.col("time").dt.date(),
    )


def _take_off_background(counted: pl.DataFrame) -> pl.DataFrame:
    """Adds ``background_kg_ha`` and its variance to counts of place "machine": 0 where none was counted."""
    where = ["machine", "field", "day"]
    found = counted
    for place in BEFORE:
        mean = (
            counted.filter((pl.col("place") == place) & pl.col("ground_kg_ha").is_not_null())
            .group_by(where)
            .agg(
                pl.col("ground_kg_ha").mean().alias(f"{place}_kg_ha"),
                (pl.col("ground_variance").sum() / pl.len() ** 2).alias(f"{place}_variance"),
            )
        )
        found = found.join(
            mean, on=where, how="left", nulls_equal=True, maintain_order="left", validate="m:1"
        )
    at_machine = pl.col("place") == "machine"
    return found.with_columns(
        background_kg_ha=pl.when(at_machine)
        .then(pl.coalesce("header_kg_ha", "pre-harvest_kg_ha", pl.lit(0.0)))
        .otherwise(0.0),
        background_variance=pl.when(at_machine)
        .then(pl.coalesce("header_variance", "pre-harvest_variance", pl.lit(0.0)))
        .otherwise(0.0),
    )


def _as_shared_out() -> list[pl.Expr]:
    """Count and error over the cut width: what left the rear is divided by the concentration factor."""
    factor = _positive("cut_width_m") / _positive("discharge_width_m")
    behind = pl.col("place").is_in(BEHIND)
    divisor = pl.when(~behind | pl.col("discharge_width_m").is_null()).then(1.0).otherwise(factor)
    variance = pl.col("ground_variance") + pl.col("background_variance")
    count, error = (pl.col("ground_kg_ha") - pl.col("background_kg_ha")) / divisor, variance.sqrt() / divisor
    # A sample whose kernels have no known mass has a loss and no error; a count beyond all measure has neither.
    possible = count.is_finite() & error.is_finite().fill_null(_has_sample())
    return [
        pl.when(possible).then(count).alias("count_kg_ha"),
        pl.when(possible & error.is_finite()).then(error).alias("count_error_kg_ha"),
    ]


def _what_is_missing() -> pl.Expr:
    """Why a check gives no loss, or what it assumes: the first sentence that applies, else null."""
    behind = pl.col("place").is_in(BEHIND)
    has_width = pl.col("discharge_width_m").is_not_null()
    places = ", ".join((*BEHIND, *BEFORE))
    sentences = {
        f"The place is none of {places}, so the count stands for nothing known.": ~_known_place(),
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
            "count_kg_ha"
        ).is_null(),
        "No discharge width: taken as spread over the whole cut.": behind & ~has_width,
    }
    return pl.coalesce(pl.when(applies).then(pl.lit(s)) for s, applies in sentences.items())


def _lacks(what: str) -> str:
    return f"The check states no loss and lacks {what}, or it is not above zero."


def _not_positive(column: str) -> pl.Expr:
    return ~(pl.col(column) > 0).fill_null(False)


def _known_place() -> pl.Expr:
    return pl.col("place").is_in((*BEHIND, *BEFORE))
