"""Warnings of a result, as they are or as texts that a file holds."""

from __future__ import annotations

from nf2ff.messages.notice import Code, Notice
from nf2ff.messages.result import ResultCode
from nf2ff.messages.scan import ReadingCode, UnitCode
from nf2ff.messages.solution import SolutionCode

#: Codes whose warnings stand in results as text.
IN_RESULTS: tuple[type[Code], ...] = (ResultCode, SolutionCode, ReadingCode, UnitCode)


def recognised(sentence: str) -> tuple[Code | None, list[str]]:
    """Code of a warning and its figures as they stand in it; None and the text where it has no code."""
    if isinstance(sentence, Notice):
        return sentence.code, sentence.texts()
    for codes in IN_RESULTS:
        for code in codes:
            figures = code.figures_in(sentence)
            if figures is not None:
                return code, figures
    return None, [sentence]
