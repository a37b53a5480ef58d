"""Why a metric is null in a row, or not exactly what was read: short sentences that can be counted."""

from enum import IntEnum


class Why(IntEnum):
    """A reason by code, so that a column of them is a small array; `text` is what people read."""

    text: str

    def __new__(cls, code: int, text: str) -> "Why":
        """Create a member from its code and text."""
        member = int.__new__(cls, code)
        member._value_ = code
        member.text = text
        return member

    FINE = 0, ""
    NOT_MEASURED = 1, "not measured: the cell is empty or not a number"
    NO_CLOCK = 2, "the text is not a clock face (h:mm, or hours below 13)"
    NO_HAND = 3, "the side depends on the pitcher's hand, which the export does not give"
    NO_RELEASE = 4, "the release point is unknown, because extension_ft is"
    NO_FLIGHT = (
        5,
        "needs the ball's flight: a trajectory, or release point, plate location, release and plate speed and both breaks",
    )
    NO_WHOLE_FLIGHT = 6, "needs the ball's flight, and this row lacks a part of it"
    NO_BALL = 7, "no ball flies with these speeds, breaks and locations: one of them is misread"
    WRONG_WAY = 8, "the velocity does not point toward the plate: check distance_positive in [trajectory]"
    NO_POSITION = 9, "this row lacks the position of the trajectory"
    BEYOND = 10, "the flight does not reach the plane"
    NO_TOTAL = 11, "total spin is unknown"
    NO_EFFICIENCY = 12, "the column holds active spin, and spin_efficiency is unknown"
    RISING = 14, 'upward, though gravity = "in" says that the drop is in it: a pitch always falls below its launch line'
    NOMINAL = 13, "computed with the release at 54.5 ft, because extension_ft is unknown"
