"""Agreement of two trackers' labels of the same pitches."""

import polars as pl

from schemas.contract import Column, Contract, count, required, share


def _pair_and_field() -> tuple[Column, ...]:
    return (
        required("tracker_a", pl.String, "the tracker with the better rank"),
        required("tracker_b", pl.String, "the other tracker"),
        required(
            "field",
            pl.String,
            "the label compared: a column of table sightings",
            "",
            ("pitch_type", "pitch_result", "plate_appearance_result"),
        ),
    )


LABEL_AGREEMENT = Contract(
    "label_agreement",
    "agreement of two trackers' labels of the same pitches, without unknown labels",
    ("tracker_a", "tracker_b", "field"),
    (
        *_pair_and_field(),
        count("n", "pitches that both labeled", "pitches"),
        count("nights", "baseball days with such pitches", "nights"),
        share("share_equal", "share of pitches with equal labels"),
        Column(
            "kappa",
            pl.Float64,
            "Cohen's kappa: agreement beyond chance; 1 = always equal",
            "ratio",
            True,
            (),
            -1.0,
            1.0,
        ),
        Column("kappa_low", pl.Float64, "lower end of its 95 % confidence interval", "ratio", True, (), -1.0, 1.0),
        Column("kappa_high", pl.Float64, "upper end of its 95 % confidence interval", "ratio", True, (), -1.0, 1.0),
        Column("note", pl.String, "a caution for this row"),
    ),
    order=("tracker_a", "tracker_b", "field"),
)

LABEL_CONFUSION = Contract(
    "label_confusion",
    "the number of pitches for one combination of two trackers' labels",
    ("tracker_a", "tracker_b", "field", "label_a", "label_b"),
    (
        *_pair_and_field(),
        required("label_a", pl.String, "the label of tracker_a"),
        required("label_b", pl.String, "the label of tracker_b"),
        count("pitches", "pitches with these two labels", "pitches"),
        share("share_of_a", "share of these pitches among all that tracker_a labeled label_a"),
        Column("example_pitch_ids", pl.String, "the first ten pitch_ids if the labels differ, separated by commas"),
    ),
    order=("tracker_a", "tracker_b", "field", "label_a", "label_b"),
)
