"""A description of a laboratory's own table, guessed from its header and first rows.

It is shown, to be checked and saved by whoever knows the range. What was not found stands there as a comment,
so that the description is refused until it is stated.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.array_columns import is_arrays, named_arrays
from nf2ff.io.layout import PLACES, Source, quoted
from nf2ff.io.safe import PathLike
from nf2ff.io.sniff import TIME_WORDS, UNIT_WORDS, Form, sniff
from nf2ff.io.touchstone import is_touchstone
from nf2ff.messages.input_error import InputError, found_in

#: Spellings of quantities, in small letters.
WORDS = {
    "theta": ("theta", "th", "thet", "θ", "ϑ", "colatitude"),
    "phi": ("phi", "φ", "ϕ", "ph"),
    "azimuth": ("azimuth", "az", "azi", "azim"),
    "elevation": ("elevation", "el", "elev", "ele"),
    "roll": ("roll", "rol"),
    "chi": ("chi", "χ", "pol", "polarisation", "polarization", "polangle"),
    "radius": ("radius", "r", "distance", "dist", "range"),
    "frequency": ("frequency", "frequencies", "freq", "f", "frequenz", "fréquence"),
    "port": ("port",),
    "time": ("time", "t", "timestamp", "elapsed", "zeit", "temps"),
    "real": ("re", "real"),
    "imag": ("im", "imag", "imaginary"),
    "amplitude": ("amp", "ampl", "amplitude", "mag", "magnitude", "abs", "modulus", "level", "db"),
    "phase": ("phase", "pha", "phs", "ang", "angle", "arg"),
}
_MEANING = {word: name for name, words in WORDS.items() for word in words}
_CONVENTIONS = (
    "",
    "# Nothing in the file states these: a wrong convention turns the pattern, a wrong unit the level.",
    'time_convention = "exp(+jwt)"    # ? or "exp(-iwt)"',
    'response_unit = "relative"       # ? or "V/m", "sqrt(W)"',
    "",
)
_TOUCHSTONE = (
    '# radius = { value = ..., unit = "m" }    # ? not found: state it',
    '# chi = { value = ..., unit = "deg" }    # ? not found: state it',
    'frequency = { column = "frequency", unit = "Hz" }',
    "",
    "# [[file]]    # ? where the name of each file has the numbers of its position",
    '# pattern = "*_{theta}_{phi}.s2p"',
    '# theta = { from_name = true, unit = "deg" }',
    '# phi = { from_name = true, unit = "deg" }',
    "",
    "[[response]]",
    'complex = { column = "S21" }    # ? or S11, S12, S22',
)
#: Values of an array that are looked at.
_FIRST = 50
_HERTZ = re.compile(r"(\d+(?:[.,]\d+)?)[\s_]*([kMG]?Hz)\b", re.IGNORECASE)
#: Labels of readings that tell a polarisation, and the angle chi that may be meant.
_CHI = {
    0: ("h", "hor", "horizontal", "hpol", "co", "copol", "theta", "θ", "pol0", "0"),
    90: (
        "v",
        "ver",
        "vert",
        "vertical",
        "vpol",
        "cross",
        "cx",
        "xpol",
        "crosspol",
        "phi",
        "φ",
        "pol90",
        "90",
    ),
}
_POLARISATION = {word: chi for chi, words in _CHI.items() for word in words}


@dataclass(frozen=True, slots=True, eq=False)
class _Column:
    """A column, and what its name says: quantity, unit, the rest as a label, a frequency in it."""

    name: str | int
    quantity: str
    unit: str
    label: str
    hertz: str
    values: list[float] = field(default_factory=list)


def propose(path: PathLike) -> str:
    """Guess a description of a file."""
    if is_touchstone(path):
        return "\n".join([_head(path), *_CONVENTIONS, *_TOUCHSTONE]) + "\n"
    with found_in(path):
        arrays = named_arrays(path) if is_arrays(path) else {}
    form = _of_arrays(arrays) if arrays else sniff(path)
    if form is None or len(form.rows[0]) < 2:
        remedy = "expected a text table; start from nf2ff import --template"
        raise InputError(f"{path}: shows no row of numbers in its first lines", remedy)
    names = form.names or [f"column {i}" for i in range(1, len(form.rows[0]) + 1)]
    columns = _columns(form, names)
    lines = [
        _head(path),
        *(_axes(arrays, columns) if arrays else _form(form)),
        *_CONVENTIONS,
        *_places(columns),
        *_responses(columns),
    ]
    unused = [repr(column.name) for column in columns if not column.quantity]
    if unused:
        lines += ["", f"# Not used: {', '.join(unused)}"]
    if any(_MEANING.get(word) == "time" and not x.values for x in columns for word in x.label.split()):
        lines.append("# Of a time only numbers are read, such as the seconds since the first reading.")
    return "\n".join(lines) + "\n"


def _head(path: PathLike) -> str:
    """The first line."""
    return f"# Guessed from {Path(path).name!r}: check every line, above all where a ? stands, and save it."


def _of_arrays(arrays: Mapping[str, NDArray[Any]]) -> Form:
    """Arrays as a table, of their first values."""
    flat = [values.ravel()[:_FIRST] for values in arrays.values()]
    texts = [[f"{x.real}{x.imag:+}j" if np.iscomplexobj(x) else f"{x}" for x in some] for some in flat]
    rows = [[some[i] if i < len(some) else "" for some in texts] for i in range(max(map(len, texts)))]
    return Form("utf-8", ",", ".", 0, "#", False, list(arrays), rows)


def _axes(arrays: Mapping[str, NDArray[Any]], columns: Sequence[_Column]) -> list[str]:
    """The line on the axes of readings of more than one, by the lengths of what may run along them."""
    shapes = {column: np.squeeze(arrays[str(column.name)]).shape for column in columns}
    shape = next((shapes[x] for x in columns if x.quantity and x.quantity not in PLACES), ())
    if len(shape) < 2:
        return []
    names = []
    for size in shape:
        fits = [x.quantity for x in columns if x.quantity in PLACES and shapes[x] == (size,)]
        names.append(f'"{fits[0]}"' if len(fits) == 1 and shape.count(size) == 1 else '"..."')
    return [f"axes = [{', '.join(names)}]    # ? what runs along the axes of lengths {shape}"]


def _form(form: Form) -> list[str]:
    """Lines on how the table is written."""
    lines = form.lines()
    if form.encoding == "utf-8":
        del lines["encoding"]
    if form.comment == "#":
        del lines["comment"]
    if form.by_number:
        listed = "; ".join(f"{i} {name!r}" for i, name in enumerate(form.names, 1))
        lines["header"] = "header = false" + (f"    # columns are {listed}" if listed else "")
    return list(lines.values())


def _columns(form: Form, names: Sequence[str]) -> list[_Column]:
    """What all names say, each in the light of the others."""
    columns = [_column(form, i, name) for i, name in enumerate(names)]
    quantities = [column.quantity for column in columns]
    levels = {column.label for column in columns if column.quantity == "amplitude"}
    for i, column in enumerate(columns):
        # "E_theta (deg)" beside "E_theta (dB)"; "ph" where there is no theta, or another phi.
        partner = column.quantity in PLACES and column.label in levels and " " in column.label
        phase = column.label == "ph" and ("theta" not in quantities or quantities.count("phi") > 1)
        if partner or phase:
            columns[i] = replace(column, quantity="phase", label="" if phase else column.label)
    return columns


def _column(form: Form, index: int, name: str) -> _Column:
    """What the name of a column, and its first cells, say."""
    key: str | int = index + 1 if form.by_number or form.names.count(name) > 1 else name
    cells = [row[index] for row in form.rows if row[index]]
    values = [x for cell in cells if (x := form.number(cell)) is not None]
    found = _HERTZ.search(name)
    hertz = ""
    if found is not None:
        value = float(found[1].replace(",", "."))
        hertz = f'{{ value = {value:.12g}, unit = "{UNIT_WORDS[found[2].casefold()]}" }}'
    rest = name if found is None else name.replace(found[0], " ")
    tokens = re.findall(r"[^\W_]+|°|/", rest.casefold())
    unit, words = _unit(tokens, TIME_WORDS if set(tokens) & set(WORDS["time"]) else UNIT_WORDS)
    # A reading before a place: "Pol 0 Re", "E_theta phase".
    if len(words) > 1:
        words = ["phase" if word == "ph" else word for word in words]
    meant = [_MEANING[word] for word in words if word in _MEANING]
    quantity = next((x for x in meant if x not in PLACES), "")
    kind = quantity
    if any(map(form.is_complex, cells)):
        quantity = "complex"
    elif not quantity and meant and meant[0] in PLACES and unit != "dB":
        quantity = kind = meant[0]
    elif not quantity and unit == "dB":
        quantity = "amplitude"
    elif not quantity and unit in ("deg", "rad") and words:
        quantity = "phase"
    if (quantity == "time" and words == ["t"] and not unit) or (not values and quantity != "complex"):
        quantity = ""
    label = " ".join(word for word in words if _MEANING.get(word) != kind or kind in PLACES)
    return _Column(key, quantity, unit, label, hertz, values)


def _unit(tokens: Sequence[str], units: Mapping[str, str]) -> tuple[str, list[str]]:
    """The unit among the words of a name, the last that is one, and the other words."""
    bare = [x for x in tokens if x != "/"]
    for i in range(len(bare) - 1, -1, -1):
        word = bare[i]
        if word in units and word not in ("v", "1") and len(bare) > 1:
            return units[word], bare[:i] + bare[i + 1 :]
    return "", bare


def _places(columns: list[_Column]) -> list[str]:
    """Lines on angles, radius, frequency and port."""
    by_name: dict[str, _Column] = {}
    for column in columns:
        if column.quantity in PLACES:
            by_name.setdefault(column.quantity, column)
    readings = [column for column in columns if column.quantity and column.quantity not in PLACES]
    optional = {"port", "time"}
    if readings and all(_chi(column) is not None for column in readings):
        optional.add("chi")
    if readings and all(column.hertz for column in readings):
        optional.add("frequency")
    lines = []
    wanted = ["theta", "phi"]
    if not {"theta", "phi"} & set(by_name) and "azimuth" in by_name:
        if "elevation" in by_name:
            lines.append('positioner = "elevation-over-azimuth"    # ? or "azimuth-over-elevation"')
            wanted = ["azimuth", "elevation", *(["roll"] if "roll" in by_name else [])]
        else:
            lines.append('positioner = "roll-over-azimuth"    # ?')
            wanted = ["azimuth", "roll"]
    for name in (*wanted, "chi", "radius", "frequency", "port", "time"):
        if name in by_name:
            lines.append(_line(name, by_name[name]))
        elif name not in optional:
            unit = {"radius": "m", "frequency": "GHz"}.get(name, "deg")
            lines.append(f'# {name} = {{ value = ..., unit = "{unit}" }}    # ? not found: state it')
    return lines


def _line(name: str, column: _Column) -> str:
    """A line that says where a quantity is, with a question mark where its unit is guessed."""
    unit, doubt = column.unit, ""
    values = column.values
    most = max(map(abs, values), default=0.0)
    if name in ("port", "real", "imag", "complex"):
        unit = ""
    elif not unit or unit == "linear":
        whole = all(x.is_integer() for x in values)
        if name == "radius":
            unit = "mm" if most > 100 else "m"
        elif name == "frequency":
            unit = "Hz" if most >= 1e6 else "MHz" if most >= 1000 else "GHz"
        elif name == "time":
            unit = "ms" if most > 1e11 else "s"  # since 1970, if so large
        elif name == "amplitude":
            unit = column.unit or ("dB" if min(values, default=0) < 0 else "linear")
        else:
            unit = "rad" if most <= 6.3 and not whole else "deg"
        doubt = "    # ? unit guessed from the values" if column.unit == "" else ""
    return Source.model_validate({"column": column.name, "unit": unit}).line(name) + doubt


def _chi(column: _Column) -> int | None:
    """The polarisation that a label may mean."""
    found = [_POLARISATION[word] for word in column.label.split() if word in _POLARISATION]
    return found[0] if found else None


def _responses(columns: list[_Column]) -> list[str]:
    """A table [[response]] for each pair of readings that share a label."""
    groups: dict[tuple[str, str], dict[str, _Column]] = {}
    for column in columns:
        if column.quantity and column.quantity not in PLACES:
            groups.setdefault((column.label, column.hertz), {}).setdefault(column.quantity, column)
    lines = []
    chi_is_a_column = any(column.quantity == "chi" for column in columns)
    for (label, hertz), found in groups.items():
        pairs = [("complex",), ("real", "imag"), ("amplitude", "phase")]
        names = next((pair for pair in pairs if set(pair) <= set(found)), None)
        if names is None:
            listed = ", ".join(repr(column.name) for column in found.values())
            lines += ["", f"# ? {listed}: no partner found, such as a phase for an amplitude"]
            continue
        lines += ["", "[[response]]"]
        if not chi_is_a_column and (chi := _chi(found[names[0]])) is not None:
            lines.append(f'chi = {{ value = {chi}, unit = "deg" }}    # ? as {label!r} suggests')
        if hertz:
            lines.append(f"frequency = {hertz}")
        lines += [_line(name, found[name]) for name in names]
    if not any(line == "[[response]]" for line in lines):
        first = quoted(columns[-1].name)
        lines += [
            "",
            "# ? no reading found: state it",
            "# [[response]]",
            f"# complex = {{ column = {first} }}",
        ]
    return lines
