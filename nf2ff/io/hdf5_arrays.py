"""Arrays of numbers in an HDF5 file of another program, such as a MAT file of version 7.3, by name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from nf2ff.io.hdf5_inspect import inspect_dataset, inspect_links
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import InputError

#: Groups in which MATLAB keeps what no variable names.
_HIDDEN = ("#refs#", "#subsystem#")


def hdf5_arrays(path: PathLike, *, limit: int) -> dict[str, NDArray[Any]]:
    """Arrays of numbers, those in groups (of MATLAB, structures) by dotted names.

    Parameters
    ----------
    path : path
        File to read.
    limit : int
        Most bytes of all arrays together.

    Returns
    -------
    dict of str to ndarray
        Variables of MATLAB with their axes in MATLAB's order; pairs of real and imaginary part are complex.

    Raises
    ------
    ValueError
        If the file is native, links to others, is damaged or too large.
    """
    with h5py.File(path, "r") as file:
        if "format" in file.attrs and "kind" in file.attrs:
            raise InputError("is a native file, whose layout is known", "no map is needed")
        size, total = Path(path).stat().st_size, 0
        found = {}
        for name in inspect_links(file):
            item = file[name]
            if not isinstance(item, h5py.Dataset) or name.split("/")[0] in _HIDDEN or not _numbers(item):
                continue
            if "MATLAB_empty" in item.attrs or not item.size:
                continue
            total += item.size * item.dtype.itemsize
            if total > limit or inspect_dataset(name, item) > size:
                raise InputError(f"holds more than {limit} bytes, or than the file itself", "split it")
            values = item[()]
            if values.dtype.names:
                real, imaginary = (values[x] for x in values.dtype.names)
                values = real + 1j * imaginary
            # MATLAB's last axis varies slowest, the first of HDF5 does.
            found[name.replace("/", ".")] = np.asarray(values.T if "MATLAB_class" in item.attrs else values)
    return found


def _numbers(item: Any) -> bool:
    """Whether a dataset is of real or complex numbers, and no text."""
    if item.attrs.get("MATLAB_class", b"double") in (b"char", b"cell", b"function_handle"):
        return False
    pair = item.dtype.names
    if pair:
        return len(pair) == 2 and all(item.dtype[x].kind in "fiu" for x in pair)
    return item.dtype.kind in "fiuc"
