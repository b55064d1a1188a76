"""Warnings as values: an enumerated code that holds the sentence, and its figures."""

from __future__ import annotations

from enum import Enum
from string import Formatter
from typing import Any


class Code(Enum):
    """Warnings of one topic; each value is its sentence, with the names of its figures in braces.

    A subclass, a file each in this package, lists the warnings of its topic: there, and nowhere
    else, stand their words.
    """

    def __call__(self, **figures: Any) -> Notice:
        """The warning with its figures."""
        return Notice(self, **figures)

    def says(self, text: str) -> bool:
        """Whether a text, say from a file, is this sentence with any figures."""
        return self.figures_in(text) is not None

    def literals(self) -> list[str]:
        """Words before, between and behind the figures."""
        words = [""]
        for literal, name, *_ in Formatter().parse(self.value):
            words[-1] += literal
            words += [] if name is None else [""]
        return words

    def figures_in(self, text: str) -> list[str] | None:
        """Figures as they stand in a text, say from a file, if that is this sentence."""
        first, *between = self.literals()
        if not between:
            return [] if text == first else None
        at, figures = len(first), []
        for literal in between[:-1]:
            found = text.find(literal, at)
            if found < 0:
                return None
            figures.append(text[at:found])
            at = found + len(literal)
        end = len(text) - len(between[-1])
        if not (text.startswith(first) and text.endswith(between[-1]) and at <= end):
            return None
        return [*figures, text[at:end]]


class Notice(str):
    """One warning: text for whoever prints it, code and figures for whoever asks what it says.

    Parameters
    ----------
    code : Code
        What is warned of.
    **figures : object
        The figures that its sentence names.
    """

    code: Code
    figures: dict[str, Any]

    def __new__(cls, code: Code, **figures: Any) -> Notice:
        """Made from the sentence of the code."""
        made = super().__new__(cls, code.value.format(**figures))
        made.code, made.figures = code, figures
        return made

    def texts(self) -> list[str]:
        """Figures as they stand in the sentence."""
        maker = Formatter()
        holes = [(name, how or "", mark) for _, name, how, mark in maker.parse(self.code.value) if name]
        given = [(maker.convert_field(self.figures[name], mark), how) for name, how, mark in holes]
        return [maker.format_field(value, how) for value, how in given]

    def __getnewargs_ex__(self) -> tuple[tuple[Code], dict[str, Any]]:
        return (self.code,), self.figures
