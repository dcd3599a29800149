"""Exceptions: which one, and when.

- The person made a mistake that they can mend (a wrong path, an unreadable file, a bad setup):
  ``InputError`` or one of its children. The message is one line: which file, what is wrong, what
  to do. The command line prints it and leaves with status 2.
- A caller of the library passed a bad argument: ``ValueError`` or ``TypeError``, at once.
- One star or one frame cannot be measured: no exception; NaN with a flag, or a reason.
- A sweep cannot answer: no exception; a fit with ``answered=False`` that carries what is known.
"""

import unicodedata


def printable(text: str) -> str:
    r"""Text from elsewhere as one line that cannot steer a terminal; ``?`` stands for what would.

    >>> printable("Ha\x1b[2J\n")
    'Ha?[2J?'
    """
    if text.isprintable():
        return text
    kinds = ((c, unicodedata.category(c)) for c in text)
    return "".join("?" if kind[0] == "C" or kind in ("Zl", "Zp") else c for c, kind in kinds)


class StarsizeError(Exception):
    """Base of all exceptions that are ours."""


class InputError(StarsizeError, ValueError):
    """Something the person gave cannot be used; the message says what to do, on one line."""

    def __init__(self, message: str) -> None:
        super().__init__(printable(message))


class FrameReadError(InputError):
    """A file is not a frame that can be read."""


class SetupError(InputError):
    """The setup file or the facts table is wrong."""


class OutputError(InputError):
    """Results cannot be written where they were asked to go."""
