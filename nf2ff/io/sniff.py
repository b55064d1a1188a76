"""Form of a text table, told from its first lines: separator, decimal sign, where its header is.

It is guessed: shown to whoever asks, and named where a stated form does not fit; nothing is read by it.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from nf2ff.io.layout import Layout
from nf2ff.io.safe import PathLike, read_bytes

#: Byte order marks, and what they announce.
MARKS = {codecs.BOM_UTF8: "utf-8", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
#: Bytes and lines that are looked at.
_START, _LINES = 2**16, 400
_SEPARATORS = {";": ";", "tab": "\t", ",": ",", "blanks": " "}
#: Spellings of units, as a description has them.
UNIT_WORDS = {
    **dict.fromkeys(("deg", "°", "degree", "degrees"), "deg"),
    **dict.fromkeys(("rad", "radian", "radians"), "rad"),
    **{x.casefold(): x for x in ("m", "cm", "mm", "Hz", "kHz", "MHz", "GHz")},
    **dict.fromkeys(("db", "dbm", "dbv", "dbmv", "dbuv", "dbµv"), "dB"),
    **dict.fromkeys(("lin", "linear", "v", "v/m", "mv", "-", "1"), "linear"),
}
#: Those of a time, which elsewhere are other words, as the H of a polarisation.
TIME_WORDS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "milliseconds"), "ms"),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("h", "hr", "hour", "hours"), "h"),
}
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_CELL = re.compile(rf"{_NUMBER}|\(?(?:{_NUMBER})?\s*[+-]?\s*{_NUMBER[5:]}[ijJ]\)?", re.ASCII)
_COMPLEX = re.compile(r"\d[ijJ]\)?$", re.ASCII)


class Form(NamedTuple):
    """How a table is written.

    ``names`` are empty without a header; columns are asked for ``by_number`` where the header cannot be
    read as such: a comment, or units in a line of their own. ``rows`` are the first ones, as cells.
    """

    encoding: str
    separator: str
    decimal: str
    preamble_lines: int
    comment: str
    by_number: bool
    names: list[str]
    rows: list[list[str]]

    def number(self, cell: str) -> float | None:
        """A cell as a number, None if it is no real one."""
        text = cell.strip().replace(",", ".") if self.decimal == "," else cell.strip()
        return float(text) if re.fullmatch(_NUMBER, text, re.ASCII) else None

    def is_complex(self, cell: str) -> bool:
        """Whether a cell is a complex number."""
        return bool(_COMPLEX.search(cell.strip()))

    def lines(self) -> dict[str, str]:
        """Lines of a description that say so, by key."""
        return {
            "encoding": f'encoding = "{self.encoding}"',
            "separator": f'separator = "{self.separator}"',
            "decimal": f'decimal = "{self.decimal}"',
            "preamble_lines": f"preamble_lines = {self.preamble_lines}",
            "comment": f'comment = "{self.comment}"',
        }


def sniff(path: PathLike) -> Form | None:
    """Tell the form of a table, None where none is seen."""
    start = read_bytes(path, limit=0, count=_START)
    encoding = next((name for mark, name in MARKS.items() if start.startswith(mark)), "")
    if not encoding and b"\0" in start:
        return None
    try:
        text = codecs.getincrementaldecoder(encoding or "utf-8")().decode(start)
    except UnicodeDecodeError:
        encoding, text = "latin-1", start.decode("latin-1")
    whole = re.split(r"\r\n|\r|\n", text.removeprefix("\ufeff"))
    lines = (whole[:-1] if len(start) == _START else whole)[:_LINES]
    best: tuple[int, str, str, list[int]] | None = None
    for separator in _SEPARATORS:
        for decimal in ".,":
            found = list(_data(lines, separator, decimal)) if separator != decimal else []
            if not found:
                continue
            width = Counter(width for _, width, _ in found).most_common(1)[0][0]
            score = sum(count for _, has, count in found if has == width)
            if best is None or score > best[0]:
                best = score, separator, decimal, [i for i, has, _ in found if has == width]
    if best is None:
        return None
    _, separator, decimal, data = best
    rows = [_cells(lines[i], separator) for i in data]
    starts = [x.strip()[0] for x in lines if x.strip()]
    comment = next((x for x in "#!%" if x in starts), "#")
    names, top = _header(lines[: data[0]], separator, len(rows[0]))
    by_number = not names or top is None
    before = lines[: data[0] if by_number else top]
    plain = all(not line.strip() or line.strip().startswith(comment) for line in before)
    preamble = 0 if plain else len(before)
    return Form(encoding or "utf-8", separator, decimal, preamble, comment, by_number, names, rows)


def differing(form: Form | None, layout: Layout) -> list[str]:
    """Lines that a description lacks which says of that form something else."""
    if form is None:
        return []
    found = form.lines()
    wrong = [key for key in ("separator", "decimal") if getattr(form, key) != getattr(layout, key)]
    if form.encoding == "latin-1" != layout.encoding:
        wrong.append("encoding")
    below = form.preamble_lines + (not layout.header and not form.by_number)
    if form.preamble_lines and below != layout.preamble_lines:
        wrong.append("preamble_lines")
        found["preamble_lines"] = f"preamble_lines = {below}"
    return [found[key] for key in wrong]


def _cells(line: str, separator: str) -> list[str]:
    """Cells of a line; a separator within quotation marks is none."""
    text = " ".join(line.split()) if separator == "blanks" else line
    try:
        (cells,) = csv.reader([text], delimiter=_SEPARATORS[separator], skipinitialspace=True)
    except (csv.Error, ValueError):
        return []
    return [cell.strip() for cell in cells]


def _data(lines: list[str], separator: str, decimal: str) -> Iterator[tuple[int, int, int]]:
    """Index, width and count of numbers of each line that holds mostly numbers."""
    for i, line in enumerate(lines):
        cells = _cells(line, separator)
        texts = [cell.replace(".", "x").replace(",", ".") if decimal == "," else cell for cell in cells]
        count = sum(bool(_CELL.fullmatch(text)) for text in texts)
        if count >= 2 and count + texts.count("") >= 0.6 * len(cells):
            yield i, len(cells), count


def _header(above: list[str], separator: str, width: int) -> tuple[list[str], int | None]:
    """Names in the lines above the numbers, if there are any, and the line that can be read as such."""
    found: list[tuple[list[str], int | None]] = []
    for i in range(len(above) - 1, -1, -1):
        line = above[i].strip()
        if not line:
            continue
        bare = line.lstrip("#!%")
        cells = _cells(bare, separator)
        while len(cells) > width and not cells[-1]:
            cells.pop()
        if len(cells) != width or not any(cells):
            break
        found.append((cells, i if bare == line else None))
        if not all(cell == "" or cell.strip("[](){}").casefold() in UNIT_WORDS for cell in cells):
            break
    if not found:
        return [], None
    if len(found) == 1:
        return found[0]
    units, names = found[0][0], found[-1][0]
    return [
        f"{name} [{unit.strip('[](){}')}]" if unit else name for name, unit in zip(names, units, strict=True)
    ], None
