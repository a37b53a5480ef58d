"""What goes wrong in ways a user can mend; the command line turns each into one message and an exit code."""


class PitchledgerError(Exception):
    """A fault that is told to the user as it is, without a trace back."""

    exit_code = 3
