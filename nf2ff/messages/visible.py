"""Texts that others wrote, such that a terminal only shows them."""

from __future__ import annotations

import re

#: Characters that steer a terminal or turn the direction of writing, but for tab and line ends.
STEERING = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)
#: Most characters of a message, and how many of them are its end, where the remedy stands.
MOST, _END = 500, 150


def visible(text: str) -> str:
    r"""The text with each character that would steer a terminal as Python writes it, such as ``\x1b``."""
    return STEERING.sub(lambda found: repr(found[0])[1:-1], text)


def in_one_line(text: str) -> str:
    """A message in one visible line of at most `MOST` characters; the middle of a longer one is left out."""
    line = visible(" ".join(text.split()))
    return line if len(line) <= MOST else f"{line[: MOST - _END - 5]} ... {line[-_END:]}"
