"""Antenna patterns as text by the recommendation NSMA WG16.99.050: the reader.

It reads what breaks the recommendation wherever the meaning is plain, with one warning of each kind
(`PatternCode`) that says in which line, and what was made of it. What has no plain meaning is refused.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from nf2ff.io import nsma
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.messages.input_error import InputError, visible
from nf2ff.messages.pattern import PatternCode

Real = NDArray[np.float64]

#: Most cuts and frequencies in a file that is read; its own limit is 99 frequencies.
MAX_CUTS = 20_000
#: Most characters of a line that is looked at; the recommendation allows 80.
_LINE_LIMIT = 1000
#: Angles closer than this are one direction, and a last angle that is off by less is right [deg].
_SAME = 1e-6

_LINE = re.compile(r"([^\r\n]*)(\r\n|\n|\r|$)")
_VALUE = r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*"
_POINT = re.compile(rf"{_VALUE},{_VALUE}(?:,{_VALUE})?(,?)\s*", re.ASCII)
_RECORD = re.compile(r"([A-Za-z][A-Za-z0-9]{5})(\s*:?\s*,?)(.*)", re.ASCII)
_POLARISATION = "H|V|SLR|SLL|RCP|LCP"
_HEADER_TAGS = [each.tag for each in nsma.HEADER]
_EXPECTED = "expected a pattern file of NSMA WG16.99.050"


def read_nsma(path: PathLike) -> nsma.NsmaPattern:
    """Read a pattern file, leniently.

    Parameters
    ----------
    path : path
        File of at most 32 MiB, 2 million lines, 20000 cuts and frequencies.

    Returns
    -------
    NsmaPattern
        Its ``warnings`` say what breaks the recommendation: for instance a count after the end
        tag, a tilt without tolerance, both -180 and +180 deg (the first is kept), angles out of
        order, another number of points than stated, a line end that is not CR LF.

    Raises
    ------
    ValueError
        One line that names the file, the line, what is wrong and what to do.
    """
    data = read_bytes(path, limit=nsma.MAX_NSMA_BYTES)
    reader = _Reader(path)
    for line in reader.lines(reader.text(data)):
        if point := _POINT.fullmatch(line):
            reader.point(point)
        else:
            reader.record(line)
    return reader.result()


@dataclass(slots=True)
class _Cut:
    """A cut while it is read: its line, the fields of its head, and its points."""

    line: int
    head: dict[str, str]
    angle: array[float] = field(default_factory=lambda: array("d"))
    level: array[float] = field(default_factory=lambda: array("d"))
    phase: array[float] = field(default_factory=lambda: array("d"))


class _Reader:
    """State of reading one file: what was understood, and what there is to say of it."""

    def __init__(self, path: PathLike) -> None:
        self.path = path
        self.number = 0
        self.header: dict[str, str] = {}
        self.frequency: list[float] = []
        self.stated: list[tuple[int, str | None]] = []
        self.cuts: list[list[nsma.NsmaCut]] = []
        self.cut: _Cut | None = None
        self.ended = False
        self.last = -1
        self.count = 0
        self.notes: dict[tuple[PatternCode, str], tuple[dict[str, Any], int]] = {}

    # --- what there is to say ----------------------------------------------------------------

    def warn(self, code: PatternCode, line: int | None = None, **figures: Any) -> None:
        """Note a deviation; of each kind, for each field, the first is told and the others are counted."""
        key = (code, figures.get("tag", ""))
        first, count = self.notes.get(key, ({"line": line or self.number, **figures}, 0))
        self.notes[key] = (first, count + 1)

    def refuse(self, what: str, remedy: str, line: int | None = None) -> NoReturn:
        """Raise, with file and line."""
        raise InputError(what, remedy, where=f"{self.path}, line {line or self.number}")

    # --- text --------------------------------------------------------------------------------

    def text(self, data: bytes) -> str:
        """The file as text, whatever its letters."""
        if not data.strip():
            raise InputError("is empty", _EXPECTED, where=str(self.path))
        if max(data.count(b"\n"), data.count(b"\r")) > nsma.MAX_LINES:
            raise InputError(
                f"{self.path}: has more than {nsma.MAX_LINES} lines, the limit", "split the file"
            )
        at = data.find(b"\0")
        if at >= 0:
            self.refuse("is not text", _EXPECTED, data.count(b"\n", 0, at) + 1)
        if data.isascii():
            return data.decode("ascii")
        at = next(i for i, byte in enumerate(data) if byte > 127)
        try:
            text, encoding = data.decode("utf-8-sig"), "UTF-8"
        except UnicodeDecodeError:
            text, encoding = data.decode("latin-1"), "Latin-1"
        self.warn(PatternCode.LETTERS, data.count(b"\n", 0, at) + 1, encoding=encoding)
        return text

    def lines(self, text: str) -> Iterator[str]:
        """Each line that is neither blank nor a comment; its number is that of the reader."""
        for self.number, match in enumerate(_LINE.finditer(text), 1):
            line, end = match.groups()
            if end and end != "\r\n":
                self.warn(PatternCode.LINE_END)
            if len(line) > _LINE_LIMIT:
                self.refuse(f"has {len(line)} characters", "expected a record of 80 at most")
            line = line.partition("!")[0].strip()
            if line and self.ended:
                self.warn(PatternCode.AFTER_END, text=line[:40])
            elif line:
                yield line

    # --- records -----------------------------------------------------------------------------

    def record(self, line: str) -> None:
        """Take one record."""
        match = _RECORD.fullmatch(line)
        if not match:
            what = f"{line[:40]!r} is neither a record 'TAG:,value' nor a point 'angle,level,'"
            self.refuse(what, "correct or remove it")
        tag, mark, value = match[1].upper(), match[2].strip(), visible(match[3].strip())
        if tag not in nsma.FIELDS:
            if not self.header and not self.frequency:
                self.refuse(f"{line[:40]!r} is no record of NSMA WG16.99.050", "expected 'REVNUM:,...'")
            self.warn(PatternCode.UNKNOWN, text=match[1])
            return
        if mark != ":," or tag != match[1]:
            self.warn(PatternCode.MARK, text=match[1] + mark, expected=tag + ":,")
        if len(line) > nsma.FIELDS[tag].limit and tag != "ENDFIL":
            self.warn(PatternCode.LENGTH, tag=tag, count=len(line), most=nsma.FIELDS[tag].limit)
        if tag == "ENDFIL":
            self.finish()
            self.ended = True
            if value != "EOF":
                self.warn(PatternCode.END, text=value[:40])
        elif tag in _HEADER_TAGS:
            self.header_field(tag, value)
        elif tag in ("PATFRE", "NUMCUT"):
            self.frequency_field(tag, value)
        else:
            self.cut_field(tag, value)

    def header_field(self, tag: str, value: str) -> None:
        if tag in self.header:
            self.warn(PatternCode.TWICE, tag=tag)
            return
        place = _HEADER_TAGS.index(tag)
        if place < self.last or self.frequency:
            self.warn(PatternCode.ORDER, field=tag)
        self.last = max(place, self.last)
        form = nsma.FIELDS[tag].form
        if form == "units":
            value = self.capitals(tag, value)
        elif form == "type":
            value = value.lower()
        if not value:
            self.warn(PatternCode.EMPTY, tag=tag)
            return
        self.header[tag] = value
        if tag in nsma.REVISION:
            if value != nsma.REVISION[tag]:
                self.warn(PatternCode.REVISION, tag=tag, text=value[:40], expected=nsma.REVISION[tag])
        elif tag == "ELTILT" and "," not in value:
            self.warn(PatternCode.TILT, text=value)
        else:
            self.judge(tag, value)

    def frequency_field(self, tag: str, value: str) -> None:
        self.finish()
        if tag == "PATFRE":
            self.bound()
            megahertz = _number(value)
            if not 0 < megahertz < np.inf:
                self.refuse(f"{tag} is {value[:40]!r}, expected a positive number", "correct it")
            self.frequency.append(megahertz * 1e6)
            self.cuts.append([])
            self.stated.append((self.number, None))
        elif not self.frequency or self.cuts[-1]:
            self.refuse("NUMCUT is not below a PATFRE", "put the frequency before its cuts")
        else:
            self.stated[-1] = (self.number, value)

    def cut_field(self, tag: str, value: str) -> None:
        if tag == "PATCUT":
            self.finish()
            if not self.frequency:
                self.refuse("PATCUT before the first PATFRE", "put the frequency before its cuts")
            self.bound()
            self.cut = _Cut(self.number, {})
        if self.cut is None or self.cut.angle:
            self.refuse(f"{tag} outside the head of a cut", "put PATCUT before it")
        if tag in self.cut.head:
            self.refuse(f"{tag} stands twice in one cut", "put PATCUT before each cut")
        if tag == "POLARI":
            pair = re.fullmatch(rf"({_POLARISATION})\W*({_POLARISATION})", value.upper())
            found = f"{pair[1]}/{pair[2]}" if pair else value
            if found != value:
                self.warn(PatternCode.POLARISATION, text=value, read=found)
            value = found
        elif tag == "PATCUT":
            value = self.capitals(tag, value)
        self.cut.head[tag] = value
        if tag in ("PATCUT", "POLARI") and value:
            self.judge(tag, value)

    def capitals(self, tag: str, value: str) -> str:
        if value != value.upper():
            self.warn(PatternCode.CAPITALS, tag=tag, text=value[:40])
        return value.upper()

    def judge(self, tag: str, value: str) -> None:
        """Warn of a value that is not of the form of its field; its length is told already."""
        fault = nsma.fault_of(nsma.FIELDS[tag]._replace(limit=_LINE_LIMIT), value)
        if fault and not (nsma.FIELDS[tag].form == "text" and not value.isascii()):
            self.warn(PatternCode.FORM, tag=tag, fault=fault.what)

    def bound(self) -> None:
        self.count += 1
        if self.count > MAX_CUTS:
            self.refuse(f"more than {MAX_CUTS} cuts and frequencies, the limit", "split the file")

    # --- points ------------------------------------------------------------------------------

    def point(self, match: re.Match[str]) -> None:
        """Take one point of the cut."""
        if self.cut is None:
            self.refuse("a point outside a cut", "put PATCUT before it")
        angle, level, phase = (float(x) if x else math.nan for x in match.groups()[:3])
        if not abs(angle) <= 360:
            self.refuse(f"angle {match[1]}, expected -360 to 360 deg", "correct it")
        if math.isinf(level) or math.isinf(phase):
            self.refuse("a value too large for a number", "correct it")
        if not match[4]:
            self.warn(PatternCode.COMMA)
        if match.end() > nsma.POINT_LIMIT:
            self.warn(PatternCode.POINT, count=match.end(), most=nsma.POINT_LIMIT)
        self.cut.angle.append(angle)
        self.cut.level.append(level)
        self.cut.phase.append(phase)

    def finish(self) -> None:
        """Close the cut that is open: put its points in order and compare them with its head."""
        cut, self.cut = self.cut, None
        if cut is None:
            return
        angle, level, phase = (np.array(x) for x in (cut.angle, cut.level, cut.phase))
        if not angle.size:
            self.refuse("the cut that begins here has no point", "add them or remove it", cut.line)
        self.compare_head(cut, angle)
        kept = self.increasing(angle, level, cut.line)
        lone = np.isnan(phase[kept])
        if lone.any() and not lone.all():
            self.warn(PatternCode.PHASE, cut.line, count=lone.sum(), points=lone.size)
        orientation = {tag: value for tag, value in cut.head.items() if tag.endswith("ORIEN")}
        names = cut.head["PATCUT"], cut.head.get("POLARI", "")
        phases = None if lone.any() else phase[kept]
        self.cuts[-1].append(nsma.NsmaCut(*names, angle[kept], level[kept], phases, orientation))

    def compare_head(self, cut: _Cut, angle: Real) -> None:
        """Warn where the head of a cut does not say what its points are."""
        for each in nsma.PER_CUT:
            if each.required and not cut.head.get(each.tag):
                self.warn(PatternCode.MISSING_IN_CUT, cut.line, tag=each.tag)
        stated = cut.head.get("NUPOIN") or str(angle.size)
        if not _equals(stated, angle.size):
            self.warn(PatternCode.POINTS, cut.line, text=stated[:40], count=angle.size)
        first, last = angle[0], angle[-1]
        ends = cut.head.get("FSTLST") or f"{first:.17g},{last:.17g}"
        parts = ends.split(",")
        right = ((first, last), (angle.min(), angle.max()))
        if len(parts) != 2 or not any(all(map(_equals, parts, pair)) for pair in right):
            self.warn(PatternCode.ENDS, cut.line, text=ends[:40], first_deg=first, last_deg=last)

    def increasing(self, angle: Real, level: Real, line: int) -> NDArray[np.intp]:
        """Points to keep, by increasing angle, no direction twice."""
        turn = np.round(np.mod(angle, 360) / _SAME).astype(np.int64) % round(360 / _SAME)
        _, first, which = np.unique(turn, return_index=True, return_inverse=True)
        again = np.setdiff1d(np.arange(angle.size), first)
        before = first[which[again]]
        same = np.abs(angle[again] - angle[before]) < _SAME
        for code, some in ((PatternCode.SAME_ANGLE, same), (PatternCode.SAME_DIRECTION, ~same)):
            if some.any():
                i, j = again[some], before[some]
                apart = np.abs(level[i] - level[j]).max()
                ends = {"first_deg": angle[j[0]], "second_deg": angle[i[0]]}
                self.warn(code, line, **ends, difference_db=apart)
        kept = np.sort(first)
        order = kept[np.argsort(angle[kept])]
        if not np.array_equal(order, kept):
            self.warn(PatternCode.SORTED, line)
        return order

    # --- the whole ---------------------------------------------------------------------------

    def result(self) -> nsma.NsmaPattern:
        """What the file holds, once all its lines are read."""
        self.finish()
        if not self.ended:
            self.warn(PatternCode.NO_END)
        if not any(self.cuts):
            raise InputError("holds no cut", _EXPECTED, where=str(self.path))
        for each in nsma.HEADER:
            if each.required and each.tag not in self.header:
                self.warn(PatternCode.MISSING, 1, tag=each.tag)
        for (line, stated), cuts in zip(self.stated, self.cuts, strict=True):
            if stated is None:
                self.warn(PatternCode.NO_CUTS, line, count=len(cuts))
            elif not _equals(stated, len(cuts)):
                self.warn(PatternCode.CUTS, line, text=stated[:40], count=len(cuts))
        count = len(self.frequency)
        stated = self.header.get("NOFREQ", str(count))
        if not _equals(stated, count):
            self.warn(PatternCode.FREQUENCIES, 1, text=stated[:40], count=count)
        warnings = [
            code(**figures, others=f" ({count - 1} more like that)" if count > 1 else "")
            for (code, _), (figures, count) in self.notes.items()
        ]
        fields = {tag: value for tag, value in self.header.items() if tag not in nsma.DERIVED}
        grouped = tuple(map(tuple, self.cuts))
        return nsma.NsmaPattern(fields, np.array(self.frequency), grouped, tuple(warnings))


def _number(text: str) -> float:
    """A text as a number, NaN if it is none."""
    match = re.fullmatch(_VALUE, text, re.ASCII)
    return float(match[1]) if match else np.nan


def _equals(text: str, number: float) -> bool:
    return abs(_number(text) - number) < _SAME
