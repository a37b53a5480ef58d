"""Log lines that stay what they are: what comes from exports can't pass for a line of its own, or command a terminal."""

import logging
from typing import Any


class Lines(logging.Formatter):
    """One record, one line, whatever a file's name or an error's words hold; a trace back is set off from the lines of others."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 -- the library's name
        """Give the line, signs that do not print written out."""
        record.message = escaped(record.message)
        return super().formatMessage(record)

    def formatException(self, ei: Any) -> str:  # noqa: N802
        """Give the trace back, each of its lines marked as belonging to it."""
        return "\n".join(f"  | {escaped(line)}" for line in super().formatException(ei).splitlines())


def make_harmless(record: logging.LogRecord) -> bool:
    """A filter, for a logger whose handlers have formatters of others: the record as `Lines` would write it. Lets every record through."""
    record.msg, record.args = escaped(record.getMessage()), ()
    if record.exc_info and not record.exc_text:
        record.exc_text = Lines().formatException(record.exc_info)
    return True


def escaped(text: str) -> str:
    r"""Signs that do not print as people read them in code: \n, \x1b."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)
