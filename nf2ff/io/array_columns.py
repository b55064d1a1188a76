"""Columns of NumPy archives, MAT and HDF5 files: arrays by name, in any laboratory's layout.

A column of the layout is the name of an array (of MATLAB, a variable; ``a.b`` is field b of the structure a).
Without ``axes`` all arrays have one shape, or a single value. With ``axes = ["frequency", "phi", "theta"]``
the readings run along these in their order, and a quantity among them has one value for each of its places.
"""

from __future__ import annotations

import math
import warnings
import zipfile
from collections.abc import Mapping
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.hdf5_arrays import hdf5_arrays
from nf2ff.io.layout import READINGS, Layout, Source
from nf2ff.io.mat_tags import check_tags
from nf2ff.io.safe import HDF5_SIGNATURE, PathLike, read_bytes
from nf2ff.io.text_columns import Asked, Numbers, no_column
from nf2ff.messages.input_error import InputError, found_in

#: Largest archive, packed or unpacked [bytes].
MAX_BYTES = 2**32
_ZIP, _MAT = b"PK\x03\x04", b"MATLAB 5.0"
#: MAT files of version 7.3 are HDF5 behind a text.
_HDF5 = (HDF5_SIGNATURE, b"MATLAB 7.3")


def is_arrays(path: PathLike) -> bool:
    """Whether a file is a NumPy archive, a MAT file or HDF5, by its first bytes."""
    return read_bytes(path, limit=0, count=16).startswith((_ZIP, _MAT, *_HDF5))


def read_arrays(path: PathLike, layout: Layout, asked: Asked) -> Numbers:
    """Read the arrays that are ``asked`` for, as columns of one length.

    Raises
    ------
    ValueError
        One line that names the file, array, shape and the remedy.
    """
    with found_in(path):
        arrays = named_arrays(path)
        found: dict[str | int, NDArray[Any]] = {}
        for column, (name, source) in asked.items():
            found[column] = _array(arrays, column, name, source)
        shape = _shape(found, asked, layout)
        columns = {
            column: _along(values, asked[column][0], column, shape, layout)
            for column, values in found.items()
        }
    return Numbers(path, columns, math.prod(shape), None)


def named_arrays(path: PathLike) -> dict[str, NDArray[Any]]:
    """Arrays of numbers in an archive, by name."""
    start = read_bytes(path, limit=0, count=16)
    try:
        if start.startswith(_HDF5):
            content: dict[str, Any] = dict(hdf5_arrays(path, limit=MAX_BYTES))
        else:
            data = read_bytes(path, limit=MAX_BYTES)
            content = _of_zip(data) if data.startswith(_ZIP) else _of_mat(data)
    except InputError:
        raise
    except Exception as error:  # whatever the libraries raise of a broken file
        said = " ".join(str(error).split())[:80]
        raise InputError(f"cannot be read as an archive of arrays ({said})", "save it again") from error
    arrays = {}
    for name, value in content.items():
        if isinstance(value, np.ndarray) and value.dtype.kind in "fiuc" and value.size:
            arrays[name] = value
    return arrays


def _of_zip(data: bytes) -> dict[str, Any]:
    """What a NumPy archive holds; nothing in it is executed."""
    with zipfile.ZipFile(BytesIO(data)) as packed:
        size = sum(info.file_size for info in packed.infolist())
    if size > MAX_BYTES:
        raise InputError(f"{size} bytes unpacked, the limit is {MAX_BYTES}", "split it")
    with np.load(BytesIO(data), allow_pickle=False) as archive:
        found = {}
        for name in archive.files:
            try:
                found[name] = archive[name]
            except ValueError:  # of objects, which are not numbers
                continue
        return found


def _of_mat(data: bytes) -> dict[str, Any]:
    """What a MAT file holds, the fields of structures by dotted names."""
    from scipy.io import loadmat

    check_tags(data, MAX_BYTES)
    with warnings.catch_warnings():
        # Of another kind of sparse matrices, none of which is read here.
        warnings.simplefilter("ignore", DeprecationWarning)
        content = loadmat(BytesIO(data), struct_as_record=True, squeeze_me=False)
    found = {}
    for name, value in content.items():
        if name.startswith("__"):
            continue
        found[name] = value
        if isinstance(value, np.ndarray) and value.dtype.names and value.size == 1:
            found |= {f"{name}.{key}": value[key].item() for key in value.dtype.names}
    return found


def _array(arrays: Mapping[str, NDArray[Any]], column: str | int, name: str, source: Source) -> NDArray[Any]:
    """The array of a name, without axes of one place."""
    if isinstance(column, int):
        raise InputError(f"column {column} is a number", f"name an array: {source.line(name, '...')}")
    if column not in arrays:
        raise InputError(*no_column(column, list(arrays), name, source, kind="array"))
    values = np.squeeze(arrays[column])
    if values.dtype.kind == "c" and name != "complex":
        line = source.model_copy(update={"unit": ""}).line("complex")
        raise InputError(f"array {column!r} is complex, expected the {name}", f"write {line} if it is so")
    values = values.astype(complex if name == "complex" else float)
    faulty = np.isinf(values) if name in READINGS else ~np.isfinite(values)
    if faulty.any():
        place = tuple(int(i) + 1 for i in np.argwhere(faulty)[0])
        shown = ", ".join(map(str, place))
        raise InputError(f"array {column!r}({shown}) is {values[faulty][0]}", "expected a finite number")
    return values


def _shape(found: Mapping[str | int, NDArray[Any]], asked: Asked, layout: Layout) -> tuple[int, ...]:
    """Shape of the readings: by axes where they are stated, or one length."""
    readings = {column: found[column] for column, (name, _) in asked.items() if name in READINGS}
    first, values = next(iter(readings.items()))
    for column, other in readings.items():
        if other.shape != values.shape:
            what = f"arrays {first!r} and {column!r} have shapes {values.shape} and {other.shape}"
            raise InputError(what, "expected the same")
    if not layout.axes:
        return values.shape
    sizes = []
    for name in layout.axes:
        sizes.append(next((found[c].size for c, (said, _) in asked.items() if said == name), 1))
    if tuple(x for x in sizes if x > 1) != values.shape:
        what = f"array {first!r} has shape {values.shape}, expected {tuple(sizes)} by its axes"
        listed = ", ".join(f'"{name}"' for name in layout.axes)
        raise InputError(what, f"put the names in axes = [{listed}] in the order of the array's axes")
    return tuple(sizes)


def _along(
    values: NDArray[Any], name: str, column: str | int, shape: tuple[int, ...], layout: Layout
) -> NDArray[Any]:
    """An array as a column, its values repeated where they run along one axis only."""
    if name in layout.axes:
        at = layout.axes.index(name)
        if values.size == shape[at]:
            values = values.reshape([-1 if i == at else 1 for i in range(len(shape))])
            return np.broadcast_to(values, shape).ravel()
    elif values.shape == tuple(x for x in shape if not layout.axes or x > 1):
        return values.ravel()
    elif values.size == 1:
        return np.full(math.prod(shape), values.item())
    what = f"array {column!r} has shape {values.shape}, the readings have {shape}"
    raise InputError(what, f'write axes = ["{name}", ...], the quantities along the axes of the readings')
