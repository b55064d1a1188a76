"""Columns of numbers as CSV text: a fast parse, and messages that name line and column.

A header line, columns in any order, and comments (``#`` first in a line) that carry no physics.
Only where the fast parse fails are cells looked at one by one, to say what is wrong where.
"""

from __future__ import annotations

import difflib
import re
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from io import StringIO
from itertools import chain, islice
from pathlib import Path
from typing import Any, Literal, NoReturn

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.safe import PathLike, read_bytes, read_lines, real_path, replacing
from nf2ff.messages.input_error import InputError, found_in

TimeConvention = Literal["exp(+jwt)", "exp(-iwt)"]
TIME_CONVENTIONS: tuple[TimeConvention, ...] = ("exp(+jwt)", "exp(-iwt)")

#: Largest text file that is read [bytes], some 40 million rows.
MAX_TEXT_BYTES = 4 * 2**30

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_UNIT = re.compile(
    r"[(\[]?(deg(rees?)?|°|rad(ians?)?|[mc]?m|[kmg]?hz|m?s|dbm?|v|v/m|w|sqrt\(w\))[)\]]?", re.IGNORECASE
)
_COMMENT = re.compile(rb"(?m)^[ \t]*#[^\n]*\n?")
#: Lines looked at together once the fast parse of the whole failed.
_BLOCK = 4096

Check = tuple[Callable[[NDArray[np.float64]], NDArray[np.bool_]], str]
POSITIVE: Check = (lambda x: x > 0, "a positive number")
CHECKS: dict[str, Check] = {
    "theta_deg": (lambda x: np.abs(x) <= 180 * (1 + 1e-12), "-180 to 180 (add or subtract 360)"),
    "radius_m": POSITIVE,
    "frequency_hz": POSITIVE,
    "coherence": (lambda x: (x >= 0) & (x == np.trunc(x)) & (x < 2**53), "a whole number, 0 or a group's"),
    "port": (
        lambda x: (x >= 1) & (x == np.trunc(x)) & (x <= np.iinfo(np.int16).max),
        "a whole number from 1",
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """A CSV file of numbers, or a part of one: values (rows, columns), and the text for messages.

    ``header_line`` lines of the text are no rows; ``before`` lines of the file come before it.
    """

    path: PathLike
    names: list[str]
    values: NDArray[np.float64]
    data: bytes
    header_line: int
    before: int = 0

    @classmethod
    def load(
        cls,
        path: PathLike,
        columns: Sequence[str],
        *,
        optional: Sequence[str] = (),
        pairs: Sequence[tuple[str, str]] = (),
        otherwise: str = "",
    ) -> Columns:
        """Parse; the ``pairs`` of columns may be empty, both together, and are NaN then.

        ``otherwise`` is the option of a command for those whose header is another.
        """
        whole = [read_bytes(path, limit=MAX_TEXT_BYTES)]
        (table,) = cls._parts(path, whole, columns, optional, pairs, otherwise)
        return table

    @classmethod
    def parts(
        cls,
        path: PathLike,
        columns: Sequence[str],
        *,
        optional: Sequence[str] = (),
        pairs: Sequence[tuple[str, str]] = (),
        otherwise: str = "",
    ) -> Iterator[Columns]:
        """As `load`, but rows of a large file part by part, so that its text is not held."""
        return cls._parts(path, read_lines(path, limit=MAX_TEXT_BYTES), columns, optional, pairs, otherwise)

    @classmethod
    def _parts(
        cls,
        path: PathLike,
        pieces: Iterable[bytes],
        columns: Sequence[str],
        optional: Sequence[str],
        pairs: Sequence[tuple[str, str]],
        otherwise: str,
    ) -> Iterator[Columns]:
        may_be_empty = {x: " and ".join(dict.fromkeys(pair)) for pair in pairs for x in pair}
        names: list[str] = []
        before, empty = 0, True
        head = b""
        for piece, last in _and_last(pieces):
            data = _text(path, head + piece, before)
            end = line = 0
            if not names:
                head += piece
                if not last and not _COMMENT.sub(b"", data).strip():
                    continue
                try:
                    names, line, end = _header(path, data, columns, optional)
                except InputError as error:
                    error.option = otherwise
                    raise
                head = b""
            body = data[end:]
            plain = b"#" not in body
            if not plain:
                body = _COMMENT.sub(b"", body)
            if body and not body.isspace():
                empty = False
                # A file in one piece can be read by its name.
                skip = line if plain and last and not before else None
                values = _fast_parse(path, body, skip, len(names), may_be_empty)
                if values is None or not _fit(values, names, may_be_empty):
                    values = _careful_parse(path, data, names, line, may_be_empty, before)
                yield cls(path, names, values, data, line, before)._paired(pairs)
            before += data.count(b"\n")
        if empty:
            raise InputError(f"{path}: has no row below its header", "add one row per sample")

    def _paired(self, pairs: Sequence[tuple[str, str]]) -> Columns:
        """The same, refused where of a pair one is empty and the other is not."""
        for pair in pairs:
            empty = [np.isnan(self[name]) for name in pair]
            lone = np.flatnonzero(empty[0] != empty[1])
            if lone.size:
                name = pair[0] if empty[0][lone[0]] else pair[1]
                other = pair[1] if name == pair[0] else pair[0]
                self.fault(lone[0], name, f"a number, or {other} empty too (a missing sample)")
        return self

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.values[:, self.names.index(name)]

    def get(self, name: str, default: float) -> NDArray[np.float64]:
        """A column, or the default in every row where there is none."""
        return self[name] if name in self.names else np.full(len(self.values), default)

    def check(self, checks: dict[str, Check]) -> None:
        """Raise at the first row that breaks a rule."""
        for name in self.names:
            if name in checks:
                good, expected = checks[name]
                bad = np.flatnonzero(~good(self[name]))
                if bad.size:
                    self.fault(bad[0], name, expected)

    def complex(self, real: str, imag: str, convention: str) -> NDArray[np.complex128]:
        """Two columns as complex values of exp(+jwt)."""
        value = np.empty(len(self.values), dtype=np.complex128)
        value.real = self[real]
        value.imag = time_sign(convention) * self[imag]
        return value

    def line(self, row: int) -> int:
        """Line of a row in the file, from 1."""
        lines = _data_lines(self.data, self.header_line, self.before)
        return next(number for i, (number, _) in enumerate(lines) if i == row)

    def cell(self, row: int, name: str) -> str:
        """Where a value stands: file, line and column."""
        return _cell(self.path, self.line(row), name)

    def fault(self, row: int, name: str, expected: str) -> NoReturn:
        """Raise for a value of the table, naming its line and column."""
        value = self[name][row]
        text = "empty" if np.isnan(value) else f"{value:.12g}"
        raise InputError(f"is {text}", f"expected {expected}", where=self.cell(row, name))


def _cell(path: PathLike, line: int, name: str) -> str:
    return f"{path}, line {line}, column {name}"


def time_sign(name: str) -> int:
    """Factor of an imaginary part that brings a time convention to exp(+jwt)."""
    if name not in TIME_CONVENTIONS:
        raise InputError(f"time convention is {name!r}, expected {' or '.join(TIME_CONVENTIONS)}")
    return 1 if name == "exp(+jwt)" else -1


def _and_last(pieces: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    """Each piece, and whether it is the last."""
    all_of = iter(pieces)
    now = next(all_of, b"")
    for following in all_of:
        yield now, False
        now = following
    yield now, True


def _text(path: PathLike, data: bytes, before: int) -> bytes:
    """A text in UTF-8, lines ended by a newline only, no byte order mark; so many lines are before it."""
    if not before and data.startswith(b"\x89HDF"):
        raise InputError(f"{path}: is an HDF5 file, expected a CSV table", "read it as a native file")
    data = data if before else data.removeprefix(b"\xef\xbb\xbf")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if not before and (not data or data.isspace()):
        raise InputError(f"{path}: is empty: expected a header line and one row per sample")
    at = data.find(b"\0")
    if at < 0 and not data.isascii():
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as error:
            at = error.start
    if at >= 0:
        line = before + data.count(b"\n", 0, at) + 1
        raise InputError(f"{path}, line {line}: is not text in UTF-8", "save the table as CSV in UTF-8")
    return data


def _header(
    path: PathLike, data: bytes, columns: Sequence[str], optional: Sequence[str]
) -> tuple[list[str], int, int]:
    """Names, line number from 1, and offset of what follows."""
    start = number = 0
    text = ""
    expected = f"expected columns {','.join(columns)}"
    while start < len(data) and (not text or text.startswith("#")):
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        number += 1
        text = data[start:end].decode("utf-8").strip()
        start = end + 1
    if not text or text.startswith("#"):
        raise InputError(f"{path}: has no header line", expected.replace("columns ", ""))
    names = [name.strip() for name in text.split(",")]
    with found_in(f"{path}, line {number}"):
        if len(names) == 1 and re.search(r"[;\t ]", text):
            raise InputError("columns are not separated by commas", "save as CSV with ',' and '.'")
        if all(_NUMBER.fullmatch(name) for name in names):
            raise InputError("numbers where the header should be", expected)
        unknown = {name.casefold(): name for name in names if name not in (*columns, *optional)}
        for name in columns:
            if name not in names and name not in optional:
                near = difflib.get_close_matches(name, unknown, n=1, cutoff=0.5)
                hint = f" (is it {unknown[near[0]]!r}? name and unit must agree)" if near else ""
                raise InputError(f"column {name} is missing{hint}", expected)
        for folded, name in unknown.items():
            near = difflib.get_close_matches(folded, optional, n=1, cutoff=0.5)
            unit = near[0].rpartition("_")[2] if near and "_" in near[0] else ""
            hint = f" (rename it to {near[0]}{', in ' * bool(unit)}{unit}?)" if near else ""
            raise InputError(f"column {name!r} is unknown{hint}", f"remove it, {expected}")
        for name in names:
            if names.count(name) > 1:
                raise InputError(f"column {name} occurs twice", "remove one")
    return names, number, start


def _fast_parse(
    path: PathLike, body: bytes, skip: int | None, width: int, empties: dict[str, str]
) -> NDArray[np.float64] | None:
    """All rows at once, or None where that fails; ``skip`` lines where the file is plain."""
    if b"n" in body or b"N" in body:  # NaN, Inf: text that the C parser would take as numbers
        return None
    if empties and (b",," in body or b",\n" in body or b"\n," in body or body[-1:] == b","):
        body = b"\n" + body.rstrip(b"\n") + b"\n"
        for _ in range(2):  # twice: the commas of ",,," overlap
            body = body.replace(b",,", b",nan,")
        body = body.replace(b",\n", b",nan\n").replace(b"\n,", b"\nnan,")
        skip = None
    # A plain file is read by name: the C parser takes that faster than lines from memory. By some names
    # it would unpack it first.
    by_name = skip is not None and Path(path).suffix not in (".gz", ".bz2", ".xz", ".lzma")
    skip = skip or 0 if by_name else 0
    source = str(real_path(path)) if by_name else StringIO(body.decode("utf-8"))
    try:
        values = np.loadtxt(
            source,
            delimiter=",",
            comments=None,
            skiprows=skip,
            ndmin=2,
            encoding="utf-8",
        )
    except ValueError:
        return None
    return values if values.shape[1] == width else None


def _data_lines(data: bytes, header_line: int, before: int) -> Iterator[tuple[int, str]]:
    """Number from 1 and text of each line below the header that is no comment and not blank."""
    for number, line in enumerate(StringIO(data.decode("utf-8"), newline="\n"), before + 1):
        text = line.strip()
        if number > before + header_line and text and not text.startswith("#"):
            yield number, text


def _careful_parse(
    path: PathLike, data: bytes, names: list[str], header_line: int, empties: dict[str, str], before: int
) -> NDArray[np.float64]:
    """Block by block, and cell by cell where a block fails, which names the fault."""
    parts = []
    lines = _data_lines(data, header_line, before)
    while block := list(islice(lines, _BLOCK)):
        body = "\n".join(text for _, text in block).encode()
        part = _fast_parse(path, body, None, len(names), empties)
        if part is None or not _fit(part, names, empties):
            part = _walk(path, block, names, empties)
        parts.append(part)
    return np.concatenate(parts)


def _fit(values: NDArray[np.float64], names: list[str], empties: dict[str, str]) -> bool:
    """Whether all values are finite, but for those that may be empty."""
    fixed = [i for i, name in enumerate(names) if name not in empties]
    return bool(np.isfinite(values[:, fixed]).all() and not np.isinf(values).any())


def _walk(
    path: PathLike, lines: Iterable[tuple[int, str]], names: list[str], empties: dict[str, str]
) -> NDArray[np.float64]:
    rows = []
    for line, text in lines:
        cells = [cell.strip() for cell in text.split(",")]
        if len(cells) != len(names):
            what = f"has {len(cells)} fields, the header has {len(names)}"
            where = f"{path}, line {line}"
            raise InputError(what, "one value per column, '.' as decimal sign", where=where)
        for i, (name, cell) in enumerate(zip(names, cells, strict=True)):
            with found_in(_cell(path, line, name)):
                cells[i] = _checked_cell(cell, name, empties)
        rows.append([float(cell) for cell in cells])
    return np.array(rows)


def _checked_cell(cell: str, name: str, empties: dict[str, str]) -> str:
    """The text of a number, or of NaN where it may be empty and is."""
    if not cell and name in empties:
        return "nan"
    if not cell:
        raise InputError("is empty", "expected a number")
    if re.fullmatch(r"[+-]?(nan|inf(inity)?)", cell, re.IGNORECASE):
        remedy = "expected a finite number"
        if name in empties:
            remedy += f"; leave {empties[name]} empty where missing"
        elif name.startswith("eirp"):
            remedy += "; -200 stands for no power"
        raise InputError(f"is {cell[:40]!r}", remedy)
    if _UNIT.fullmatch(cell):
        raise InputError(
            f"is {cell!r}", "leave out the row of units; the numbers must be in those of the header"
        )
    if not _NUMBER.fullmatch(cell):
        raise InputError(f"is {cell[:40]!r}", "expected a number, '.' as decimal sign")
    if not np.isfinite(float(cell)):
        raise InputError(f"is {cell[:40]}", "too large for a number")
    return cell


def to_degrees(radians: NDArray[np.float64]) -> NDArray[np.float64]:
    """Degrees that come nearest to ``radians`` when converted back, round ones before others."""
    degrees = np.degrees(radians)
    step = np.spacing(np.abs(degrees))
    result, error = degrees, np.full_like(degrees, np.inf)
    near = (degrees + k * step for k in (2, -2, 1, -1, 0))
    for candidate in chain(near, (np.round(degrees, 12), np.round(degrees, 9))):
        off = np.abs(np.radians(candidate) - radians)
        result = np.where(off <= error, candidate, result)
        error = np.minimum(off, error)
    return result


def to_texts(values: NDArray[np.float64] | NDArray[np.integer[Any]]) -> NDArray[np.object_]:
    """The shortest text that reads back exactly, of zero without a sign; most recur, so by unique value."""
    unique, inverse = np.unique(values + 0, return_inverse=True)
    texts = np.empty(unique.size, dtype=object)
    texts[:] = list(map(repr, unique.tolist()))
    return texts[inverse].reshape(values.shape)


def or_empty(values: NDArray[np.complex128]) -> tuple[list[str], list[str]]:
    """Real and imaginary part as by `to_texts`, both empty where a value is missing."""
    real, imag = (list(map(repr, (part + 0).tolist())) for part in (values.real, values.imag))
    for i in np.flatnonzero(np.isnan(values)):
        real[i] = imag[i] = ""
    return real, imag


def write_columns(
    path: PathLike, names: Sequence[str], blocks: Iterable[Sequence[Sequence[str]]], *, overwrite: bool
) -> None:
    """Write rows, which come in blocks, each a text by column; read them back, and put them in place."""

    def lines(columns: Sequence[Sequence[str]]) -> str:
        return "\n".join(chain(map(",".join, zip(*columns, strict=True)), [""]))

    with replacing(path, overwrite=overwrite) as temporary:
        check = 0
        with temporary.open("xb") as file:
            for text in chain([",".join(names) + "\n"], map(lines, blocks)):
                data = text.encode("ascii")
                file.write(data)
                check = zlib.crc32(data, check)
        found = 0
        with temporary.open("rb") as written:
            while data := written.read(2**22):
                found = zlib.crc32(data, found)
        if found != check:
            raise OSError("what was read back differs from what was written")
