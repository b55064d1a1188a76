"""Words: the nearest to one that is not known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_OTHER_NAMES = {
    "gaussian": "normal",
    "student": "normal",
    "t": "normal",
    "uniform": "rectangular",
    "u": "arcsine",
    "u-shaped": "arcsine",
    "sine": "arcsine",
}


def nearest(word: str, known: Iterable[str]) -> str:
    """Offer the name among ``known`` that is like ``word``, or an empty string."""
    names = list(known)
    meant = _OTHER_NAMES.get(word.casefold(), "")
    found = [meant] if meant in names else difflib.get_close_matches(word[:60], names, n=1)
    return f": did you mean {found[0]!r}?" if found else ""
