"""What may be wrong with a set-up, described in TOML: `alignment_template` explains the form."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import fields
from textwrap import wrap
from typing import NamedTuple

import numpy as np

from nf2ff.io.safe import PathLike, replacing
from nf2ff.io.toml import Table, list_of_tables, read_toml, template, whole
from nf2ff.io.uncertainty_toml import MAX_ERRORS, ErrorTable, errors_from
from nf2ff.uncertainty.errors.error_term import ErrorTerm


class AlignmentTable(Table):
    """The keys of the file."""

    degree: int | None = whole(1, 10_000)
    error: list[ErrorTable] = list_of_tables("error", MAX_ERRORS)


class AlignmentFile(NamedTuple):
    """Terms of the faults, and the degree if one is asked for."""

    terms: tuple[ErrorTerm, ...]
    degree: int | None


def alignment_template() -> str:
    """Return a description of the customary faults, to be changed.

    Returns
    -------
    str
        TOML that `read_alignment_file` reads.
    """
    return template("alignment")


def read_alignment_file(path: PathLike) -> AlignmentFile:
    """Read what may be wrong with a set-up.

    Parameters
    ----------
    path : path
        TOML file as `alignment_template` explains it.

    Returns
    -------
    AlignmentFile
        What the file asks for.

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is allowed.
    """
    read = read_toml(path, AlignmentTable)
    return AlignmentFile(errors_from(read.error, path), read.degree)


def write_terms(
    path: PathLike, terms: Sequence[ErrorTerm], *, notes: Sequence[str] = (), overwrite: bool = False
) -> None:
    """Write error terms as tables of a budget, in SI units; times of samples stay with the samples.

    Parameters
    ----------
    path : path
        TOML file to write.
    terms : sequence of ErrorTerm
        What to write.
    notes : sequence of str
        What to beware of, as comments.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If the file exists or cannot be written; the old one is untouched then.
    """
    lines = ["# Sizes in rad, m, s, or relative; put these tables into the budget of nf2ff uncertainty."]
    lines += [f"# {line}" for note in notes for line in wrap(note, 100)]
    for term in terms:
        lines += ["", "[[error]]", f"kind = {json.dumps(term.name)}"]
        for one in fields(term):
            value = getattr(term, one.name)
            if value is None or isinstance(value, np.ndarray):
                continue
            shown = repr(float(value)) if isinstance(value, float) else json.dumps(value)
            lines.append(f"{one.name} = {shown}")
    with replacing(path, overwrite=overwrite) as temporary:
        temporary.write_text("\n".join([*lines, ""]), encoding="utf-8")
