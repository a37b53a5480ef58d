"""Safe log lines: text from exports can neither forge a log line nor control a terminal."""

import logging
from typing import Any


class Lines(logging.Formatter):
    """Format each record as one line, whatever a file name or message holds; indent tracebacks."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 -- the library's name
        """Return the line with non-printing characters escaped."""
        record.message = escaped(record.message)
        return super().formatMessage(record)

    def formatException(self, ei: Any) -> str:  # noqa: N802
        """Return the traceback with each line marked."""
        return "\n".join(f"  | {escaped(line)}" for line in super().formatException(ei).splitlines())


def make_harmless(record: logging.LogRecord) -> bool:
    """Escape a record the way `Lines` does. A filter for loggers with foreign formatters; keeps every record."""
    record.msg, record.args = escaped(record.getMessage()), ()
    if record.exc_info and not record.exc_text:
        record.exc_text = Lines().formatException(record.exc_info)
    return True


def escaped(text: str) -> str:
    r"""Return text with non-printing characters written as in code: \n, \x1b."""
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)
