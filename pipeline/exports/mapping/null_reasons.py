"""Why a metric is null in a row, or not quite what was read: short sentences that can be counted."""

from enum import IntEnum


class Why(IntEnum):
    """A reason by code, so that a whole column of them is a small array; `text` is what people read."""

    text: str

    def __new__(cls, code: int, text: str) -> "Why":
        """Make a member of its code and text."""
        member = int.__new__(cls, code)
        member._value_ = code
        member.text = text
        return member

    FINE = 0, ""
    NOT_MEASURED = 1, "not measured: the cell is empty or no number"
    NO_CLOCK = 2, "no clock face that can be read (h:mm, or hours below 13)"
    NO_HAND = 3, "arm or glove side is stated, but the export does not say the pitcher's hand"
    NO_RELEASE = 4, "extension_ft is not known, so it is not known where the ball was let go"
    NO_FLIGHT = (
        5,
        "needs a flight: a trajectory, or release point, plate location, release and plate speed and both breaks",
    )
    NO_WHOLE_FLIGHT = 6, "needs a flight, and a part of it is missing in this row"
    NO_BALL = 7, "release and plate speed, breaks and places do not fit the flight of a ball: one of them is misread"
    WRONG_WAY = 8, "the velocity does not run toward the plate: see distance_positive in [trajectory]"
    NO_POSITION = 9, "the trajectory has no position in this row"
    BEYOND = 10, "the flight does not reach the plane"
    NO_TOTAL = 11, "total spin is not known"
    NO_EFFICIENCY = 12, "the column holds active spin, and spin_efficiency is not known"
    NOMINAL = 13, "kept, but release is taken at 54.5 ft: extension_ft is not known"
