"""Antenna patterns as text by the recommendation NSMA WG16.99.050: the quantities and the writer.

The recommendation (revision of 1999-05-20) is open, but was not at hand: names, order and limits of its
fields follow a public copy of its table 1, partly matched by a second one. A record is ``TAG:,value`` and
CR LF. Limits count the whole record: ``REVDAT:,19990520`` and ``ENDFIL:,EOF`` fill theirs, 16 and 11.

The writer is strict: what would break a rule is refused. `nsma_reader` reads more than that.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.safe import PathLike, replacing
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError, found_in

#: Largest file that is written or read [bytes], and its most lines; 99 frequencies of 4 cuts in
#: steps of 0.1 deg have 25 MB in 1.4 million lines.
MAX_NSMA_BYTES, MAX_LINES = 32 * 2**20, 2_000_000
REVISION = {"REVNUM": "NSMA WG16.99.050", "REVDAT": "19990520"}
#: Decimals of what is written: angles and phases in deg, levels in dB, frequencies in MHz.
ANGLE_DECIMALS, PHASE_DECIMALS, LEVEL_DECIMALS, FREQUENCY_DECIMALS = 4, 3, 3, 6
#: Most frequencies: two characters for their number.
MAX_FREQUENCIES = 99
#: Most characters of a point, its last comma counted.
POINT_LIMIT = 28

_NUMBER = r"[+-]?(\d+(\.\d*)?|\.\d+)"
#: What a value may look like, and how that is said.
FORMS = {
    "text": (r"[^!]+", "text without '!', which starts a comment"),
    "number": (_NUMBER, "a number"),
    # Where the limit leaves room for two numbers, the second is taken to be a tolerance.
    "measure": (rf"{_NUMBER}(,{_NUMBER})?", "a number, or 'nominal,tolerance'"),
    "pair": (rf"{_NUMBER},{_NUMBER}", "two numbers, 'nominal,tolerance'"),
    "date": (r"\d{8}", "a date as yyyymmdd"),
    "units": (r"[A-Z]+/[A-Z]+", "two units in capitals, e.g. 'DBI/DBR'"),
    "type": (r"typical|envelope", "'typical' or 'envelope'"),
    "cut": (rf"H|V|AZ|EL|{_NUMBER}", "H, V, AZ, EL or a number"),
    "polarisation": (r"[A-Z]+/[A-Z]+", "two polarisations, e.g. 'H/H', 'V/H', 'SLR/SLL'"),
    "ends": (rf"{_NUMBER},{_NUMBER}", "the first and last angle"),
    "count": (r"[1-9]\d*", "a whole number from 1"),
    "end": (r"EOF", "EOF"),
}


class Field(NamedTuple):
    """A field: tag, most characters of its record, whether it must be there, form of its value."""

    tag: str
    limit: int
    required: bool = False
    form: str = "text"


def _numbered(tag: str, count: int) -> tuple[Field, ...]:
    return tuple(Field(f"{tag}{i}", 80) for i in range(1, count + 1))


#: Fields before the patterns, in their order.
HEADER = (
    Field("REVNUM", 42, True),
    Field("REVDAT", 16, True, "date"),
    *_numbered("COMNT", 2),
    Field("ANTMAN", 42, True),
    Field("MODNUM", 42, True),
    Field("PATNUM", 42),
    Field("FILNUM", 13),
    Field("FEDORN", 13),
    *_numbered("DESCR", 5),
    Field("DTDATA", 16, False, "date"),
    Field("LOWFRQ", 21, True, "number"),
    Field("HGHFRQ", 21, True, "number"),
    Field("GUNITS", 15, True, "units"),
    Field("LWGAIN", 12, False, "number"),
    Field("MDGAIN", 16, True, "measure"),
    Field("HGGAIN", 12, False, "number"),
    Field("AZWIDT", 16, False, "measure"),
    Field("ELWIDT", 16, False, "measure"),
    Field("CONTYP", 80),
    Field("ATVSWR", 13),
    Field("FRTOBA", 10, False, "number"),
    Field("ELTILT", 16, True, "pair"),
    Field("RADCTR", 13, False, "number"),
    Field("POTOPO", 12, False, "number"),
    Field("MAXPOW", 17, False, "number"),
    Field("ANTLEN", 14, False, "number"),
    Field("ANTWID", 14, False, "number"),
    Field("ANTDEP", 14, False, "number"),
    Field("ANTWGT", 16, False, "number"),
    *_numbered("FIELD", 5),
    Field("PATTYP", 16, True, "type"),
    Field("NOFREQ", 10, True, "count"),
)
#: Fields of each frequency, of each cut, and the last one.
PER_FREQUENCY = (Field("PATFRE", 21, True, "number"), Field("NUMCUT", 11, True, "count"))
PER_CUT = (
    Field("PATCUT", 11, True, "cut"),
    Field("POLARI", 15, True, "polarisation"),
    Field("NUPOIN", 13, True, "count"),
    Field("FSTLST", 25, True, "ends"),
    *(Field(f"{axis}ORIEN", 53) for axis in "XYZ"),
)
END = Field("ENDFIL", 11, True, "end")
FIELDS = {each.tag: each for each in (*HEADER, *PER_FREQUENCY, *PER_CUT, END)}
#: Fields that say what an `NsmaPattern` holds elsewhere, or that are always the same.
DERIVED = ("REVNUM", "REVDAT", "NOFREQ")
#: Tags of the header fields that an `NsmaPattern` holds.
SETTABLE = tuple(each.tag for each in HEADER if each.tag not in DERIVED)


@dataclass(frozen=True, slots=True, eq=False)
class NsmaCut:
    """One cut at one frequency.

    Parameters
    ----------
    plane : str
        ``PATCUT``: H, V, AZ, EL or a number.
    polarisation : str
        ``POLARI``, e.g. ``H/V``: of the antenna's port and of the wave (from memory).
    angle_deg : (K,) array_like
        Angles [deg].
    level_db : (K,) array_like
        Levels, in the second unit of ``GUNITS`` [dB].
    phase_deg : (K,) array_like or None
        Phases [deg].
    orientation : mapping of str to str
        ``XORIEN``, ``YORIEN``, ``ZORIEN``, those that are there.

    Raises
    ------
    ValueError
        If the shapes differ, there is no point, or a value is not finite.
    """

    plane: str
    polarisation: str
    angle_deg: NDArray[np.float64]
    level_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64] | None = None
    orientation: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = ("angle_deg", "level_db") + (() if self.phase_deg is None else ("phase_deg",))
        for name in names:
            values = as_array(getattr(self, name), float, name, ndim=1)
            object.__setattr__(self, name, values)
            if values.shape != self.angle_deg.shape or not values.size:
                what = f"{name} has {values.size} values for {self.angle_deg.size} points"
                raise InputError(what, "expected as many, and at least one")
        object.__setattr__(self, "orientation", MappingProxyType(dict(self.orientation)))


@dataclass(frozen=True, slots=True, eq=False)
class NsmaPattern:
    """What a pattern file of NSMA WG16.99.050 holds.

    Parameters
    ----------
    fields : mapping of str to str
        Header fields by tag, those of `HEADER` but for `DERIVED`.
    frequency : (F,) array_like
        Frequencies of the patterns [Hz].
    cuts : sequence of sequence of NsmaCut
        Cuts of each of the F frequencies.
    warnings : sequence of str
        What was found in the file that breaks the recommendation, and what was made of it.

    Raises
    ------
    ValueError
        If a field is unknown, or there is not a list of cuts for each frequency.
    """

    fields: Mapping[str, str]
    frequency: NDArray[np.float64]
    cuts: tuple[tuple[NsmaCut, ...], ...]
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for tag in self.fields:
            if tag not in SETTABLE:
                raise InputError(f"{tag!r} is no header field to set", f"choose from {', '.join(SETTABLE)}")
        frequency = as_array(self.frequency, float, "frequency", ndim=1)
        if not 0 < frequency.size == len(self.cuts):
            what = f"there are cuts for {len(self.cuts)} of {frequency.size} frequencies"
            raise InputError(what, "expected a sequence of cuts for each, and one frequency or more")
        if np.any(frequency <= 0):
            raise InputError(f"frequency is {frequency.min():g} Hz, expected positive values")
        object.__setattr__(self, "fields", MappingProxyType(dict(self.fields)))
        object.__setattr__(self, "frequency", frequency)
        object.__setattr__(self, "cuts", tuple(tuple(some) for some in self.cuts))
        object.__setattr__(self, "warnings", tuple(self.warnings))


def is_record(line: str) -> bool:
    """Whether a line is a record, ``TAG:,value``, of a field of the recommendation, or nearly."""
    mark = re.match(r"(\w{6})\s*[:,]", line)
    return mark is not None and mark[1].upper() in FIELDS


def write_nsma(path: PathLike, pattern: NsmaPattern, *, overwrite: bool = False) -> None:
    """Write a pattern file, strictly by the recommendation.

    Parameters
    ----------
    path : path
        File to write.
    pattern : NsmaPattern
        What to write: angles are rounded to 0.0001 deg, levels to 0.001 dB, phases to
        0.001 deg, frequencies to 1 Hz. Its warnings are not written.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If the recommendation would be broken: a field is missing, too long or not of its form,
        angles do not increase strictly or hold a direction twice; and if the file exists or
        cannot be written. An old one is untouched then.

    References
    ----------
    .. [1] NSMA WG16.99.050, antenna pattern data format, revision of 1999-05-20, as known from a
       copy of its table 1.
    """
    with found_in(path):
        records = [f"{record}\r\n" for record in _records(pattern)]
        data = "".join(records).encode("ascii")
        if len(data) > MAX_NSMA_BYTES or len(records) > MAX_LINES:
            what = f"would have {len(data)} bytes in {len(records)} lines, the limits are "
            what += f"{MAX_NSMA_BYTES} and {MAX_LINES}"
            raise InputError(what, "use a coarser step, or fewer frequencies")
    with replacing(path, overwrite=overwrite) as temporary:
        temporary.write_bytes(data)
        if temporary.read_bytes() != data:
            raise OSError("what was read back differs from what was written")


def _records(pattern: NsmaPattern) -> Iterator[str]:
    """Records of the file in their order, each checked."""
    megahertz = [_decimal(f / 1e6, FREQUENCY_DECIMALS) for f in pattern.frequency]
    if len(set(megahertz)) < len(megahertz):
        raise InputError(f"PATFRE holds a frequency twice ({', '.join(megahertz)} MHz)", "give each once")
    if len(megahertz) > MAX_FREQUENCIES:
        what = f"has {len(megahertz)} frequencies, NOFREQ has room for {MAX_FREQUENCIES}"
        raise InputError(what, "choose fewer (--frequency-ghz)")
    fields = {**pattern.fields, **REVISION, "NOFREQ": str(len(megahertz))}
    header = [_record(each, fields[each.tag]) for each in HEADER if _needed(each, fields)]
    if float(fields["LOWFRQ"]) > float(fields["HGHFRQ"]):
        raise InputError(
            f"LOWFRQ is {fields['LOWFRQ']}, above HGHFRQ, {fields['HGHFRQ']} MHz", "exchange them"
        )
    yield from header
    for text, cuts in zip(megahertz, pattern.cuts, strict=True):
        yield _record(FIELDS["PATFRE"], text)
        yield _record(FIELDS["NUMCUT"], str(len(cuts)))
        for cut in cuts:
            yield from _cut_records(cut)
    yield _record(END, "EOF")


def _cut_records(cut: NsmaCut) -> Iterator[str]:
    """Records of the head of a cut, and its points."""
    angle = [_decimal(x, ANGLE_DECIMALS) for x in cut.angle_deg]
    rounded = np.array(angle, dtype=float)
    columns = [angle, [_decimal(x, LEVEL_DECIMALS) for x in cut.level_db]]
    if cut.phase_deg is not None:
        columns.append([_decimal(x, PHASE_DECIMALS) for x in cut.phase_deg])
    points = [",".join(cells) + "," for cells in zip(*columns, strict=True)]
    with found_in(f"cut {cut.plane} {cut.polarisation}"):
        bad = np.flatnonzero(np.diff(rounded) <= 0)
        if bad.size:
            what = f"{angle[bad[0] + 1]} deg follows {angle[bad[0]]} deg"
            raise InputError(f"{what}, expected increasing angles, 0.0001 deg apart at least", "sort them")
        if rounded[-1] - rounded[0] > 360 - 5e-5 or np.abs(rounded).max() > 360:
            what = f"angles run from {angle[0]} to {angle[-1]} deg"
            raise InputError(f"{what}, expected no direction twice, within one turn", "leave out one end")
        long = next((x for x in points if len(x) > POINT_LIMIT), None)
        if long:
            what = f"the point {long} has {len(long)} characters, expected at most {POINT_LIMIT}"
            raise InputError(what, "bring its values into a usual range")
    values = {
        "PATCUT": cut.plane,
        "POLARI": cut.polarisation,
        "NUPOIN": str(len(angle)),
        "FSTLST": f"{angle[0]},{angle[-1]}",
        **cut.orientation,
    }
    for each in PER_CUT:
        if _needed(each, values):
            yield _record(each, values[each.tag])
    yield from points


def _needed(each: Field, values: Mapping[str, str]) -> bool:
    """Whether the field is to be written; refuses where it is missing but required."""
    if each.required and not values.get(each.tag):
        raise InputError(f"{each.tag} is missing, which the recommendation requires", "give it")
    return each.tag in values


def _record(each: Field, value: str) -> str:
    if fault := fault_of(each, value):
        raise fault
    return f"{each.tag}:,{value}"


def fault_of(each: Field, value: str) -> InputError | None:
    """What is wrong with the value of a field, its tag left out; None if nothing is."""
    pattern, expected = FORMS[each.form]
    start = f"{each.tag} is {value[:90]!r}"
    if not value.isascii() or not value.isprintable():
        return InputError(f"{start}, expected printable ASCII", "spell it in other letters")
    if value != value.strip() or not re.fullmatch(pattern, value):
        return InputError(f"{start}, expected {expected}, without spaces around")
    room = each.limit - len(each.tag) - 2
    if len(value) > room:
        return InputError(f"{start}, {len(value)} characters, expected at most {room}", "shorten it")
    return None


def _decimal(value: float, decimals: int) -> str:
    """A number rounded to so many decimals, one or more, without idle zeros."""
    text = f"{value:z.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
