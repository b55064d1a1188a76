"""Columns of a text table in any laboratory's layout: a fast parse, and messages that name the place.

The text is parsed block by block: all numbers at once where a block is clean, else cell by cell.
"""

from __future__ import annotations

import codecs
import csv
import difflib
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.columns import MAX_TEXT_BYTES
from nf2ff.io.layout import READINGS, Layout, Source
from nf2ff.io.rows import Coded, Recurring
from nf2ff.io.safe import PathLike, read_blocks
from nf2ff.io.sniff import MARKS, differing, sniff
from nf2ff.io.toml import short, short_text
from nf2ff.messages.input_error import InputError, found_in

Column = NDArray[np.float64] | NDArray[np.complex128]
#: Columns asked for, each with a quantity that it holds and where that was said.
Asked = Mapping[str | int, tuple[str, Source]]

#: Bytes that are looked at together.
_BLOCK = 2**21
#: The character of each separator.
SEPARATORS = {",": ",", ";": ";", "tab": "\t", "blanks": " "}


class Numbers(NamedTuple):
    """What one file holds: the columns that are asked for, and the line of each row, if it has lines."""

    path: PathLike
    columns: Mapping[str | int, Column | Coded]
    size: int
    lines: NDArray[np.int32] | None

    def where(self, row: int) -> str:
        """Where a row stands, for messages."""
        return f"{self.path}, " + (f"row {row + 1}" if self.lines is None else f"line {self.lines[row]}")


def read_text(path: PathLike, layout: Layout, asked: Asked) -> Numbers:
    """Read the columns that are ``asked`` for.

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy: the lines of the description that
        differ from what the file looks like, if there are any.
    """
    try:
        return _read_text(path, layout, asked)
    except InputError as error:
        lines = differing(sniff(path), layout)
        if lines:
            remedy = f"{error.remedy}: write {', '.join(lines)}"
            raise InputError(error.what, remedy, where=error.where) from error
        raise


def _read_text(path: PathLike, layout: Layout, asked: Asked) -> Numbers:
    """The same, errors as they come."""
    names: list[str] | None = None
    at: list[int] = []
    columns = [Recurring() for _ in asked]
    lines: list[NDArray[np.int32]] = []
    number, width = 1, 0
    for block in _texts(path, layout.encoding):
        count = block.count("\n")
        start = 0
        while number <= layout.preamble_lines and start < len(block):
            start = block.find("\n", start) + 1 or len(block)
            number, count = number + 1, count - 1
        while layout.header and names is None and start < len(block):
            end = block.find("\n", start) + 1 or len(block)
            line = block[start:end].strip()
            if line and not (layout.comment and line.startswith(layout.comment)):
                names = [cell.strip() for cell in _split(path, [(number, line)], layout)[0]]
            start, number, count = end, number + 1, count - 1
        rest = block[start:] if start else block
        if not width and (first := next(_kept(rest, number, layout), None)):
            row = _split(path, [first], layout)[0]
            width = len(row)
            with found_in(path):
                _fits(names, row)
                at = [_index(column, names, width, *said) for column, said in asked.items()]
        if width:
            found = _fast(rest, number, width, at, layout, asked)
            found = _careful(path, rest, number, width, at, layout, asked) if found is None else found
            if found[0].size:
                lines.append(found[0])
                for column, part in zip(columns, found[1], strict=True):
                    column.add(part)
        number += count
    if not lines:
        raise InputError(f"{path}: has no row of numbers", "check preamble_lines and header")
    every = np.concatenate(lines)
    whole = {name: column.column() for name, column in zip(asked, columns, strict=True)}
    return Numbers(path, whole, every.size, every)


def _texts(path: PathLike, encoding: str) -> Iterator[str]:
    """The text in pieces of whole lines, ended by a newline only, without a byte order mark."""
    decoder: codecs.IncrementalDecoder | None = None
    kept, number = "", 1
    pieces = chain(read_blocks(path, size=_BLOCK, limit=MAX_TEXT_BYTES), [b""])
    for data in pieces:
        if decoder is None:
            encoding = next((name for mark, name in MARKS.items() if data.startswith(mark)), encoding)
            if encoding == "utf-16" and not data.startswith(tuple(MARKS)):
                encoding = "utf-16-be" if data.startswith(b"\0") else "utf-16-le"
            decoder = codecs.getincrementaldecoder(encoding)()
        try:
            text = kept + decoder.decode(data, final=not data).removeprefix("\ufeff")
            fault = text.find("\0")
        except UnicodeDecodeError as error:
            text = kept + error.object[: error.start].decode(encoding, errors="ignore")
            fault = len(text)
        if fault >= 0:
            line = number + text.count("\n", 0, fault)
            what = f"{path}, line {line}: is not text in {encoding.upper()}"
            raise InputError(what, "state the encoding, or save it as UTF-8")
        end = text.rfind("\n") + 1 if data else len(text)
        text, kept = text[:end], text[end:]
        if "\r" in text:
            text = text.replace("\r\n", "\n").replace("\r", "\n")
        number += text.count("\n")
        if text:
            yield text


def _kept(block: str, number: int, layout: Layout) -> Iterator[tuple[int, str]]:
    """Number and text of each line that is not blank or a comment."""
    for i, line in enumerate(block.split("\n"), number):
        bare = line.strip()
        if bare and not (layout.comment and bare.startswith(layout.comment)):
            yield i, line


def _fast(
    block: str, number: int, width: int, at: Sequence[int], layout: Layout, asked: Asked
) -> tuple[NDArray[np.int32], list[Column]] | None:
    """Lines and columns of a block without comments, quotes and empty cells; else None."""
    if '"' in block or (layout.comment and layout.comment in block) or not at:
        return None
    if any(name == "complex" for name, _ in asked.values()):
        return None
    if layout.decimal == ",":
        if "." in block:  # of thousands?
            return None
        block = block.replace(",", ".")
    separator = None if layout.separator == "blanks" else SEPARATORS[layout.separator]
    texts = block.split("\n")
    kept = np.arange(number, number + len(texts), dtype=np.int32)
    if separator is not None:
        counts = np.fromiter((text.count(separator) for text in texts), dtype=np.intp, count=len(texts))
        odd = np.flatnonzero(counts != width - 1).tolist()
    else:
        odd = [i for i, text in enumerate(texts) if not text or text.isspace()]
    if odd:
        if any(texts[i].strip() for i in odd):
            return None
        kept = np.delete(kept, odd)
        texts = [text for text in texts if text and not text.isspace()]
    if not texts:
        return kept, []
    try:
        values = np.loadtxt(
            texts,
            delimiter=separator,
            comments=None,
            ndmin=2,
            usecols=None if separator is None else at,
        )
    except ValueError:
        return None
    if values.shape[1] != (width if separator is None else len(at)) or not np.isfinite(values).all():
        return None
    return kept, [np.ascontiguousarray(values[:, i]) for i in (at if separator is None else range(len(at)))]


def _careful(
    path: PathLike,
    block: str,
    number: int,
    width: int,
    at: Sequence[int],
    layout: Layout,
    asked: Asked,
) -> tuple[NDArray[np.int32], list[Column]]:
    """The same cell by cell, which names the fault."""
    kept = list(_kept(block, number, layout))
    rows = _split(path, kept, layout)
    odd = next((i for i, row in enumerate(rows) if len(row) != width), None)
    if odd is not None:
        what = f"has {len(rows[odd])} fields, the first row has {width}"
        raise InputError(f"{path}, line {kept[odd][0]}: {what}", "check separator and decimal")
    columns = []
    for i, (column, (name, _)) in zip(at, asked.items(), strict=True):
        values, bad = _numbers([row[i] for row in rows], layout.decimal, name)
        if bad is not None:
            where = f"{path}, line {kept[bad][0]}, column {str(column)[:60]}"
            kind = "complex number as 0.1+0.2j" if name == "complex" else "finite number"
            expected = f"expected a {kind}, {layout.decimal!r} as decimal sign"
            raise InputError(f"is {short(rows[bad][i].strip())}", expected, where=where)
        columns.append(values)
    return np.array([line for line, _ in kept], dtype=np.int32), columns


def _split(path: PathLike, block: list[tuple[int, str]], layout: Layout) -> list[list[str]]:
    """The cells of lines, without quotation marks."""
    blanks = layout.separator == "blanks"
    lines = (" ".join(line.split()) if blanks else line for _, line in block)
    reader = csv.reader(lines, delimiter=SEPARATORS[layout.separator], skipinitialspace=True)
    rows: list[list[str]] = []
    try:
        for row in reader:
            if reader.line_num > len(rows) + 1:  # more than a line, in quotation marks
                where = f"{path}, line {block[len(rows)][0]}"
                raise InputError(f"{where}: a quotation mark is not closed", "close or remove it")
            rows.append(row)
    except csv.Error as error:
        where = f"{path}, line {block[len(rows)][0]}"
        raise InputError(f"{where}: is no row of a table ({error})", "check separator") from error
    return rows


def _index(column: str | int, names: list[str] | None, width: int, name: str, source: Source) -> int:
    """Index of a column that is named, or numbered from 1."""
    if isinstance(column, int):
        if not 1 <= column <= width:
            raise InputError(f"there is no column {column}", f"expected 1 to {width} in {source.line(name)}")
        return column - 1
    if names is None:
        remedy = f"give its number: {source.line(name, 1)}"
        raise InputError(f"there is no header to look for column {column[:60]!r}", remedy)
    if names.count(column) > 1:
        number = names.index(column) + 1
        remedy = f"give its number, such as {source.line(name, number)}"
        raise InputError(f"several columns {column[:60]!r}, there are {short_text(', '.join(names))}", remedy)
    if column not in names:
        raise InputError(*no_column(column, names, name, source))
    return names.index(column)


def _fits(names: list[str] | None, row: list[str]) -> None:
    """Refuse names that are not those of the cells below them; a separator at the end is none."""
    if names is None:
        return
    while len(names) > len(row) and not names[-1]:
        names.pop()
    if len(names) > len(row):
        raise InputError(f"the header has more columns than the rows, {len(row)}", "check separator")
    if any(cell.strip() for cell in row[len(names) :]):
        what = f"the header has {len(names)} columns, the first row {len(row)}"
        raise InputError(
            what, "write header = false and give columns by number, preamble_lines up to the rows"
        )


def no_column(
    column: str, names: Sequence[str], name: str, source: Source, *, kind: str = "column"
) -> tuple[str, str]:
    """What is wrong where no column has that name, and the line that would mend it."""
    folded = {x.casefold(): x for x in names}
    near = difflib.get_close_matches(column[:60].casefold(), folded, n=1)
    if near:
        best = folded[near[0]]
        remedy = f"did you mean {best!r}? Write {source.line(name, best)}"
    else:
        remedy = f"name one of them: {source.line(name, '...')}"
    return f"no {kind} {column[:60]!r}, there are {short_text(', '.join(names))}", remedy


def _numbers(cells: list[str], decimal: str, name: str) -> tuple[Column, int | None]:
    """Cells as numbers, NaN where a reading is empty, and the first that is no such thing."""
    missing = name in READINGS
    read: Any = _complex if name == "complex" else float
    texts = cells
    if decimal == ",":  # and a point is one of thousands, or of another decimal sign
        texts = [cell.replace(".", "x").replace(",", ".") for cell in cells]
    if missing:
        texts = [cell if cell.strip() else "nan" for cell in texts]
    if any("_" in cell for cell in texts):  # which Python reads as part of a number
        texts = [cell.replace("_", "x") for cell in texts]
    try:
        values = np.array(list(map(read, texts)))
    except ValueError:
        return np.empty(0), next(i for i, text in enumerate(texts) if not _is_number(text, read))
    bad = np.flatnonzero(np.isinf(values) if missing else ~np.isfinite(values))
    return values, int(bad[0]) if bad.size else None


def _complex(text: str) -> complex:
    """A complex number with i or j behind its imaginary part, blanks and brackets as they come."""
    return complex(text.replace(" ", "").replace("i", "j"))


def _is_number(text: str, read: Any) -> bool:
    try:
        read(text)
    except ValueError:
        return False
    return True
