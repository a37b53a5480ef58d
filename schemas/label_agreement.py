"""Whether two trackers call the same pitch the same."""

import polars as pl

from schemas.contract import Column, Contract, count, required, share


def _pair_and_field() -> tuple[Column, ...]:
    return (
        required("tracker_a", pl.String, "the tracker of better rank"),
        required("tracker_b", pl.String, "the other tracker"),
        required(
            "field",
            pl.String,
            "the label compared: a column of sightings",
            "",
            ("pitch_type", "pitch_result", "plate_appearance_result"),
        ),
    )


LABEL_AGREEMENT = Contract(
    "label_agreement",
    "how far two trackers' labels of the same pitches agree, unknown labels left out",
    ("tracker_a", "tracker_b", "field"),
    (
        *_pair_and_field(),
        count("n", "pitches that both labelled", "pitches"),
        count("nights", "baseball days among them", "nights"),
        share("share_alike", "share of pitches labelled alike"),
        Column(
            "kappa",
            pl.Float64,
            "Cohen's kappa: agreement beyond chance, 1 = always alike",
            "ratio",
            True,
            (),
            -1.0,
            1.0,
        ),
        Column("kappa_low", pl.Float64, "lower end of its 95 % interval", "ratio", True, (), -1.0, 1.0),
        Column("kappa_high", pl.Float64, "upper end of its 95 % interval", "ratio", True, (), -1.0, 1.0),
        Column("note", pl.String, "what to know before using the row"),
    ),
    order=("tracker_a", "tracker_b", "field"),
)

LABEL_CONFUSION = Contract(
    "label_confusion",
    "how many pitches one tracker called this and the other that",
    ("tracker_a", "tracker_b", "field", "label_a", "label_b"),
    (
        *_pair_and_field(),
        required("label_a", pl.String, "what tracker_a called it"),
        required("label_b", pl.String, "what tracker_b called it"),
        count("pitches", "pitches called so", "pitches"),
        share("share_of_a", "share of all pitches that tracker_a called label_a"),
        Column("look_at", pl.String, "the first ten pitch_ids where the two differ, with commas"),
    ),
    order=("tracker_a", "tracker_b", "field", "label_a", "label_b"),
)
