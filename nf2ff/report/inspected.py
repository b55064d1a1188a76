"""What is said of a file, as `report.describe.describe` gives it, in words, units and few digits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from nf2ff.report.numbers import aligned
from nf2ff.report.over_frequency import MAX_COLUMNS, Row, frequency_table
from nf2ff.report.result import SENSES, at_pole, close_azimuths, shown_azimuth

#: Below this a level is what rounding leaves: the square of one over the largest double's digits
#: is -313 dB, and sums of many lie somewhat above [dB].
LEAST_DB = -280.0
#: Figures side by side where every frequency has a line.
_SIDE_BY_SIDE = 6
#: Lists that are not by frequency.
_PLAIN = {"frequencies_ghz", "power_by_order_db", "azimuthal_orders"}
#: Numbers that stand for words.
_WORDS: dict[str, Mapping[int, str]] = {
    "sense": SENSES,
    "partial": {0: "no", 1: "yes"},
    "peak_seen": {0: "no", 1: "yes"},
}
_CAPITALS = {"eirp": "EIRP", "trp": "TRP", "tis": "TIS", "eis": "EIS", "chi": "chi"}


class _Form(NamedTuple):
    """How a figure is shown whose name ends in a unit."""

    unit: str
    decimals: int = 2
    digits: int | None = None
    least: float = -np.inf


#: By the end of the name.
_FORMS = {
    "dbi": _Form("dBi", least=LEAST_DB),
    "dbd": _Form("dBd", least=LEAST_DB),
    "dbm": _Form("dBm", least=LEAST_DB),
    "db": _Form("dB", least=LEAST_DB),
    "deg": _Form("deg"),
    "w": _Form("W", digits=4),
    "m": _Form("m", digits=6),
    "ghz": _Form("GHz", digits=9),
    "s": _Form("s", digits=6),
    "sr": _Form("sr", 3),
}
_NUMBER, _COUNT = _Form("", digits=4), _Form("", 0)


def inspected_lines(facts: Mapping[str, Any], *, every: bool = False, table: Sequence[str] = ()) -> list[str]:
    """Facts as lines of text: what is one for the file, then figures over frequency, then warnings."""
    count = len(facts.get("frequencies_ghz", ()))
    told: list[tuple[str, str]] = []
    rows: list[Row] = []
    for name, value in facts.items():
        if name == "warnings" or _said_in_words(name, facts):
            continue
        over_frequency = isinstance(value, list) and len(value) == count > 0 and name not in _PLAIN
        if over_frequency and name == "peak_phi_deg" and "peak_theta_deg" in facts:
            pole = at_pole(np.array(facts["peak_theta_deg"], dtype=float))
            value = [None if there else x for x, there in zip(value, pole, strict=True)]
        if over_frequency and table and isinstance(value[0], str):
            continue
        if over_frequency and (name in _WORDS or name.startswith("plane_")):
            told.append((_label(name), _counted(name, value)))
        elif over_frequency and not isinstance(value[0], str) and len(set(value)) > 1:
            rows.append(_row(name, value))
        elif over_frequency and not isinstance(value[0], str):
            told.append((_label(name), _shown(name, value[0])))
        elif isinstance(value, list) and value and isinstance(value[0], str):
            told += zip([_label(name), *[""] * (len(value) - 1)], value, strict=True)
        else:
            told.append((_label(name), _shown(name, value)))
    lines = aligned(told, words=2)
    hertz = 1e9 * np.array(facts.get("frequencies_ghz", ()))
    step = _SIDE_BY_SIDE if every and count > MAX_COLUMNS else len(rows) or 1
    for at in range(0, len(rows), step):
        lines += ["", *frequency_table(hertz, rows[at : at + step], every=every)]
    if table:
        lines += ["", *table]
    if warnings := facts.get("warnings"):
        lines += ["", *(f"warning: {sentence}" for sentence in warnings)]
    return lines


def _said_in_words(name: str, facts: Mapping[str, Any]) -> bool:
    """Whether it is an angle of a plane that is named, too."""
    return name.startswith("plane_") and name.endswith("_deg") and name[: name.index("_", 6)] in facts


def _form(name: str, values: Sequence[Any]) -> _Form:
    end = name.rpartition("_")[2]
    if end in _FORMS and "_" in name:
        return _FORMS[end]
    return _NUMBER if any(isinstance(x, float) and x != round(x) for x in values) else _COUNT


def _label(name: str) -> str:
    """A name in words, its unit in brackets."""
    form = _FORMS.get(name.rpartition("_")[2]) if "_" in name else None
    words = name.rpartition("_")[0] if form else name
    text = " ".join(_CAPITALS.get(word, word) for word in words.split("_"))
    return f"{text} [{form.unit}]" if form else text


def _row(name: str, values: Sequence[float | None]) -> Row:
    numbers = np.array([np.nan if x is None else x for x in values], dtype=float)
    form = _form(name, [x for x in values if x is not None])
    if name.endswith("phi_deg"):
        few = numbers.size <= MAX_COLUMNS
        numbers = np.mod(np.round(numbers, form.decimals), 360) if few else close_azimuths(numbers)
    return Row(_label(name), numbers, form.decimals, form.digits, form.least)


def _counted(name: str, values: Sequence[Any]) -> str:
    """Words of each frequency; of many frequencies which, and at how many."""
    each = values if isinstance(values[0], str) else [_WORDS[name].get(x, "-") for x in values]
    words = Counter(each)
    if len(words) == 1:
        return str(each[0])
    if len(each) <= MAX_COLUMNS:
        return ", ".join(each)
    return ", ".join(f"{word} (at {some} of {len(values)} frequencies)" for word, some in words.items())


def _shown(name: str, value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        if name == "frequencies_ghz" and len(value) > MAX_COLUMNS:
            return f"{len(value)}, from {_shown(name, min(value))} to {_shown(name, max(value))}"
        return ", ".join(_shown(name, x) for x in value)
    if not isinstance(value, int | float):
        return str(value)
    if name in _WORDS:
        return _WORDS[name].get(round(value), "-")
    form = _form(name, [value])
    if value < form.least:
        return f"< {form.least:g}"
    if name.endswith("phi_deg"):
        value = shown_azimuth(value, form.decimals)
    if form.digits is not None:
        return f"{value:z.{form.digits}g}"
    return f"{round(value, form.decimals):z.9g}" if form.unit == "deg" else f"{value:z.{form.decimals}f}"
