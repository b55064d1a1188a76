"""Antenna patterns as text by the recommendation NSMA WG16.99.050: the reader.

It reads what breaks the recommendation wherever the meaning is plain, with a warning that says
what was found in which line and what was made of it, one for each kind. What has no plain meaning
is refused.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.nsma import (
    DERIVED,
    FIELDS,
    HEADER,
    MAX_LINES,
    MAX_NSMA_BYTES,
    PER_CUT,
    POINT_LIMIT,
    REVISION,
    NsmaCut,
    NsmaPattern,
    fault_of,
)
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.messages.input_error import InputError

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
_HEADER_TAGS = [each.tag for each in HEADER]


def read_nsma(path: PathLike) -> NsmaPattern:
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
    data = read_bytes(path, limit=MAX_NSMA_BYTES)
    reader = _Reader(path)
    text = reader.text(data)
    for number, line in reader.lines(text):
        reader.number = number
        point = _POINT.fullmatch(line)
        if point:
            reader.point(point)
        else:
            reader.record(line)
    return reader.result()


@dataclass(slots=True)
class _Cut:
    """A cut while it is read."""

    line: int
    values: dict[str, str]
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
        self.cuts: list[list[NsmaCut]] = []
        self.cut: _Cut | None = None
        self.ended = False
        self.last = -1
        self.count = 0
        self.notes: dict[str, tuple[str, int]] = {}

    # --- what there is to say ----------------------------------------------------------------

    def warn(self, kind: str, text: str, line: int | None = None) -> None:
        """Note a deviation; of each kind the first is told, the others counted."""
        first, count = self.notes.get(kind, (f"line {line or self.number}: {text}", 0))
        self.notes[kind] = (first, count + 1)

    def refuse(self, text: str, line: int | None = None) -> NoReturn:
        """Raise, with file and line."""
        raise InputError(f"{self.path}, line {line or self.number}: {text}")

    # --- text --------------------------------------------------------------------------------

    def text(self, data: bytes) -> str:
        """The file as text, whatever its letters."""
        if not data.strip():
            raise InputError(f"{self.path}: is empty: expected a pattern file of NSMA WG16.99.050")
        if max(data.count(b"\n"), data.count(b"\r")) > MAX_LINES:
            raise InputError(f"{self.path}: has more than {MAX_LINES} lines, the limit", "split the file")
        at = data.find(b"\0")
        if at >= 0:
            self.number = data.count(b"\n", 0, at) + 1
            self.refuse("is not text: expected a pattern file of NSMA WG16.99.050")
        if data.isascii():
            return data.decode("ascii")
        at = next(i for i, byte in enumerate(data) if byte > 127)
        line = data.count(b"\n", 0, at) + 1
        try:
            text, what = data.decode("utf-8-sig"), "UTF-8"
        except UnicodeDecodeError:
            text, what = data.decode("latin-1"), "Latin-1"
        self.warn("letters", f"has letters outside ASCII: read as {what}", line)
        return text

    def lines(self, text: str) -> Iterator[tuple[int, str]]:
        """Number and text of each line that is neither blank nor a comment."""
        for number, match in enumerate(_LINE.finditer(text), 1):
            line, end = match.groups()
            self.number = number
            if end and end != "\r\n":
                self.warn("line end", "does not end in CR LF: read all the same")
            if len(line) > _LINE_LIMIT:
                self.refuse(f"has {len(line)} characters: expected a record of 80 at most")
            line = line.partition("!")[0].strip()
            if line and self.ended:
                self.warn("after the end", f"{line[:40]!r} stands after ENDFIL: left out")
            elif line:
                yield number, line

    # --- records -----------------------------------------------------------------------------

    def record(self, line: str) -> None:
        """Take one record."""
        match = _RECORD.fullmatch(line)
        if not match:
            msg = f"{line[:40]!r} is neither a record 'TAG:,value' nor a point 'angle,level,'"
            self.refuse(f"{msg}: correct or remove it")
        tag, mark, value = match[1].upper(), match[2].strip(), match[3].strip()
        if tag not in FIELDS:
            if not self.header and not self.frequency:
                msg = f"{line[:40]!r} is no record of NSMA WG16.99.050: expected 'REVNUM:,...'"
                self.refuse(msg)
            self.warn("unknown", f"{match[1]} is no field of the recommendation: left out")
            return
        if mark != ":," or tag != match[1]:
            self.warn("mark", f"{match[1] + mark!r} where {tag + ':,'!r} should be: read as such")
        if len(line) > FIELDS[tag].limit and tag != "ENDFIL":
            msg = f"{tag} has {len(line)} characters, most {FIELDS[tag].limit}: read in full"
            self.warn(f"length {tag}", msg)
        if tag == "ENDFIL":
            self.end(value)
        elif tag in _HEADER_TAGS:
            self.header_field(tag, value)
        elif tag in ("PATFRE", "NUMCUT"):
            self.frequency_field(tag, value)
        else:
            self.cut_field(tag, value)

    def header_field(self, tag: str, value: str) -> None:
        if tag in self.header:
            self.warn(f"twice {tag}", f"{tag} stands there twice: the first is kept")
            return
        place = _HEADER_TAGS.index(tag)
        if place < self.last or self.frequency:
            self.warn("order", f"{tag} is not in the order of the recommendation: read as it is")
        self.last = max(place, self.last)
        form = FIELDS[tag].form
        if form == "units":
            value = self.capitals(tag, value)
        elif form == "type":
            value = value.lower()
        if not value:
            self.warn(f"empty {tag}", f"{tag} is empty: left out")
            return
        self.header[tag] = value
        if tag in REVISION:
            if value != REVISION[tag]:
                msg = f"{tag} is {value[:40]!r}, expected {REVISION[tag]!r}: read as if it were"
                self.warn(tag, msg)
        elif tag == "ELTILT" and "," not in value:
            self.warn("tilt", f"ELTILT is {value!r}, without a tolerance: kept as it is")
        else:
            self.judge(tag, value)

    def frequency_field(self, tag: str, value: str) -> None:
        self.finish()
        if tag == "PATFRE":
            self.bound()
            self.frequency.append(self.positive(tag, value) * 1e6)
            self.cuts.append([])
            self.stated.append((self.number, None))
        elif not self.frequency or self.cuts[-1]:
            self.refuse("NUMCUT is not below a PATFRE: put the frequency before its cuts")
        else:
            self.stated[-1] = (self.number, value)

    def cut_field(self, tag: str, value: str) -> None:
        if tag == "PATCUT":
            self.finish()
            if not self.frequency:
                self.refuse("PATCUT before the first PATFRE: put the frequency before its cuts")
            self.bound()
            self.cut = _Cut(self.number, {})
        if self.cut is None or self.cut.angle:
            self.refuse(f"{tag} outside the head of a cut: put PATCUT before it")
        if tag in self.cut.values:
            self.refuse(f"{tag} stands twice in one cut: put PATCUT before each cut")
        if tag == "POLARI":
            value = self.polarisation(value)
        elif tag == "PATCUT":
            value = self.capitals(tag, value)
        self.cut.values[tag] = value
        if tag in ("PATCUT", "POLARI") and value:
            self.judge(tag, value)

    def polarisation(self, value: str) -> str:
        """``POLARI`` as two polarisations with a stroke between, where that is what is meant."""
        pair = re.fullmatch(rf"({_POLARISATION})\W*({_POLARISATION})", value.upper())
        found = f"{pair[1]}/{pair[2]}" if pair else value
        if found != value:
            self.warn("polarisation", f"POLARI is {value!r}: read as {found!r}")
        return found

    def capitals(self, tag: str, value: str) -> str:
        if value != value.upper():
            self.warn(f"capitals {tag}", f"{tag} is {value[:40]!r}: read in capitals")
        return value.upper()

    def judge(self, tag: str, value: str) -> None:
        """Warn of a value that is not of the form of its field."""
        # Its length is told already.
        fault = fault_of(FIELDS[tag]._replace(limit=_LINE_LIMIT), value)
        if fault and not (FIELDS[tag].form == "text" and not value.isascii()):
            self.warn(f"form {tag}", f"{fault.partition(':')[0]}: kept as it is")

    def end(self, value: str) -> None:
        self.finish()
        self.ended = True
        if value != "EOF":
            self.warn("end", f"ENDFIL is {value[:40]!r}, expected 'EOF': taken as the end")

    def bound(self) -> None:
        self.count += 1
        if self.count > MAX_CUTS:
            self.refuse(f"more than {MAX_CUTS} cuts and frequencies, the limit: split the file")

    def positive(self, tag: str, value: str) -> float:
        number = _number(value)
        if not 0 < number < np.inf:
            self.refuse(f"{tag} is {value[:40]!r}, expected a positive number: correct it")
        return number

    # --- points ------------------------------------------------------------------------------

    def point(self, match: re.Match[str]) -> None:
        """Take one point of the cut."""
        if self.cut is None:
            self.refuse("a point outside a cut: put PATCUT before it")
        angle, level, phase = (float(x) if x else math.nan for x in match.groups()[:3])
        if not abs(angle) <= 360:
            self.refuse(f"angle {match[1]}, expected -360 to 360 deg: correct it")
        if math.isinf(level) or math.isinf(phase):
            self.refuse("a value too large for a number: correct it")
        if not match[4]:
            self.warn("comma", "a point without a comma at its end: read all the same")
        if match.end() > POINT_LIMIT:
            msg = f"a point of {match.end()} characters, most {POINT_LIMIT}: read in full"
            self.warn("point", msg)
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
            self.refuse("the cut that begins here has no point: add them or remove it", cut.line)
        self.compare_head(cut, angle)
        kept = self.increasing(angle, level, cut.line)
        angle, level, phase = angle[kept], level[kept], phase[kept]
        lone = np.isnan(phase)
        if lone.any() and not lone.all():
            msg = f"{lone.sum()} of {lone.size} points have no phase: all phases left out"
            self.warn("phase", msg, cut.line)
        values = cut.values
        names = values["PATCUT"], values.get("POLARI", "")
        orientation = {tag: values[tag] for tag in values if tag.endswith("ORIEN")}
        phases = None if lone.any() else phase
        self.cuts[-1].append(NsmaCut(*names, angle, level, phases, orientation))

    def compare_head(self, cut: _Cut, angle: NDArray[np.float64]) -> None:
        """Warn where the head of a cut does not say what its points are."""
        for each in PER_CUT:
            if each.required and not cut.values.get(each.tag):
                msg = f"the cut has no {each.tag}: read without"
                self.warn(f"missing {each.tag}", msg, cut.line)
        stated = cut.values.get("NUPOIN") or str(angle.size)
        if not _equals(stated, angle.size):
            msg = f"NUPOIN is {stated[:40]!r} for {angle.size} points: all are read"
            self.warn("NUPOIN", msg, cut.line)
        ends = cut.values.get("FSTLST") or f"{angle[0]:.17g},{angle[-1]:.17g}"
        right = ((angle[0], angle[-1]), (angle.min(), angle.max()))
        parts = ends.split(",")
        if len(parts) != 2 or not any(all(map(_equals, parts, pair)) for pair in right):
            msg = f"FSTLST is {ends[:40]!r}, the points run from {angle[0]:g} to {angle[-1]:g} deg"
            self.warn("FSTLST", f"{msg}: the points are right", cut.line)

    def increasing(
        self, angle: NDArray[np.float64], level: NDArray[np.float64], line: int
    ) -> NDArray[np.intp]:
        """Points to keep, by increasing angle, no direction twice."""
        turn = np.round(np.mod(angle, 360) / _SAME).astype(np.int64) % round(360 / _SAME)
        _, first, which = np.unique(turn, return_index=True, return_inverse=True)
        again = np.setdiff1d(np.arange(angle.size), first)
        before = first[which[again]]
        same = np.abs(angle[again] - angle[before]) < _SAME
        for kind, some in (("twice", same), ("one turn", ~same)):
            if some.any():
                i, j = again[some], before[some]
                what = f"{angle[j[0]]:g} deg stands twice"
                if kind == "one turn":
                    what = f"{angle[j[0]]:g} and {angle[i[0]]:g} deg are one direction"
                apart = f"levels up to {np.abs(level[i] - level[j]).max():g} dB apart"
                self.warn(kind, f"{what}, {apart}: the first is kept", line)
        kept = np.sort(first)
        order = kept[np.argsort(angle[kept])]
        if not np.array_equal(order, kept):
            self.warn("sorted", "the angles of the cut do not increase: they are sorted", line)
        return order

    # --- the whole ---------------------------------------------------------------------------

    def result(self) -> NsmaPattern:
        """What the file holds, once all its lines are read."""
        self.finish()
        if not self.ended:
            self.warn("no end", "the file ends without ENDFIL: is it whole?")
        if not any(self.cuts):
            raise InputError(f"{self.path}: holds no cut: expected a pattern file of NSMA WG16.99.050")
        for each in HEADER:
            if each.required and each.tag not in self.header:
                text = f"the header has no {each.tag}, which is required: read without"
                self.warn(f"missing {each.tag}", text, 1)
        for (line, stated), cuts in zip(self.stated, self.cuts, strict=True):
            if stated is None or not _equals(stated, len(cuts)):
                what = "no NUMCUT" if stated is None else f"NUMCUT is {stated[:40]!r}"
                self.warn("NUMCUT", f"{what} for {len(cuts)} cuts: all are read", line)
        stated = self.header.get("NOFREQ", str(len(self.frequency)))
        if not _equals(stated, len(self.frequency)):
            msg = f"NOFREQ is {stated[:40]!r} for {len(self.frequency)} frequencies: all are read"
            self.warn("NOFREQ", msg, 1)
        warnings = [
            text + (f" ({count - 1} more like that)" if count > 1 else "")
            for text, count in self.notes.values()
        ]
        fields = {tag: value for tag, value in self.header.items() if tag not in DERIVED}
        grouped = tuple(map(tuple, self.cuts))
        return NsmaPattern(fields, np.array(self.frequency), grouped, tuple(warnings))


def _number(text: str) -> float:
    """A text as a number, NaN if it is none."""
    match = re.fullmatch(_VALUE, text, re.ASCII)
    return float(match[1]) if match else np.nan


def _equals(text: str, number: float) -> bool:
    return abs(_number(text) - number) < _SAME
