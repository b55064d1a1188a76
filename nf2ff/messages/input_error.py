"""The one exception of bad input: what is wrong, where, and what to do; and texts of others, made visible."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Self


class InputError(ValueError):
    """Bad input, said in one line: ``where: what: remedy``.

    Parameters
    ----------
    what : str
        The value that is wrong, and what was expected.
    remedy : str
        What to do about it.
    where : str
        File, row, table or field; the outermost first.
    option : str
        Option of a command that does what the remedy says, in the words of Python; the commands
        put it behind.
    """

    def __init__(self, what: str, remedy: str = "", *, where: str = "", option: str = "") -> None:
        super().__init__(what, remedy)
        self.what, self.remedy, self.where, self.option = what, remedy, where, option

    def __str__(self) -> str:
        return ": ".join(x for x in (self.where, self.what, self.remedy) if x)

    def within(self, where: str) -> Self:
        """The same error, found in a larger place as well."""
        if not self.where.startswith(where):
            self.where = f"{where}: {self.where}" if self.where else where
        return self


@contextmanager
def found_in(where: object) -> Iterator[None]:
    """Put a place in front of errors raised within: a file, a row, a field.

    Parameters
    ----------
    where : object
        The place; its text is put in front.

    Yields
    ------
    None
        It is a context manager: ``with found_in(path): ...``

    Raises
    ------
    InputError
        In place of any `ValueError` raised within, which is its cause.
    """
    try:
        yield
    except InputError as error:
        raise error.within(str(where)) from error.__cause__
    except ValueError as error:
        raise InputError(" ".join(str(error).split()), where=str(where)) from error


#: Characters that steer a terminal or turn the direction of writing, but for tab and line ends.
STEERING = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)
#: Most characters of a message, and how many of them are its end, where the remedy stands.
MOST, _END = 500, 150


def visible(text: str) -> str:
    r"""The text with each character that would steer a terminal as Python writes it, such as ``\x1b``."""
    return STEERING.sub(lambda found: repr(found[0])[1:-1], text)


def beside(text: str, error: InputError) -> str:
    """A sentence that is to stand in the line of an error; without its remedy where both would not fit.

    Parameters
    ----------
    text : str
        The sentence: what, and behind a colon the remedy.
    error : InputError
        The error.

    Returns
    -------
    str
        The sentence, or what stands before its colon.
    """
    # Room for words between them, and for the name of a file.
    return text if len(text) + len(str(error)) < MOST - 100 else text.partition(": ")[0]


def in_one_line(text: str) -> str:
    """A message in one visible line of at most `MOST` characters; the middle of a longer one is left out."""
    line = visible(" ".join(text.split()))
    return line if len(line) <= MOST else f"{line[: MOST - _END - 5]} ... {line[-_END:]}"
