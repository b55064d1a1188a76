"""The one exception of bad input: what is wrong, where, and what to do."""

from __future__ import annotations

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
