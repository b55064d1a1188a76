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
        first, *between = (literal for literal, *_ in Formatter().parse(self.value))
        if self.value.endswith("}"):
            between.append("")
        if not between:
            return text == first
        *between, last = between
        at = len(first)
        for literal in between:
            found = text.find(literal, at)
            if found < 0:
                return False
            at = found + len(literal)
        return text.startswith(first) and text.endswith(last) and at + len(last) <= len(text)


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

    def __getnewargs_ex__(self) -> tuple[tuple[Code], dict[str, Any]]:
        return (self.code,), self.figures
