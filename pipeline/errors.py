"""Errors that a user can fix; the command line turns each into one message and an exit code."""


class PitchledgerError(Exception):
    """An error whose message is shown to the user as it is, without a traceback."""

    exit_code = 3
