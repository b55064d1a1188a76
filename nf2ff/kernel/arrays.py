"""Arrays, checked when they are taken and read-only when they are kept."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.messages.input_error import InputError


def freeze(noun: Any, *, missing: bool = False) -> None:
    """Convert the fields of a noun that holds results to read-only arrays of one shape (F,).

    They are array_like or None, and may hold NaN if ``missing``.
    """
    names = [field.name for field in fields(noun) if getattr(noun, field.name) is not None]
    keep(noun, names[:1], float, ndim=1, missing=missing)
    keep(noun, names[1:], float, shape=getattr(noun, names[0]).shape, missing=missing)


def keep(
    noun: Any,
    names: Iterable[str],
    dtype: Any,
    *,
    ndim: int | None = None,
    shape: tuple[int, ...] | None = None,
    axes: str = "",
    of: str = "",
    missing: bool = False,
) -> None:
    """Convert fields of a frozen noun to read-only arrays, as `as_array`, and check their ``shape`` if given.

    Fields that are None stay so. ``axes`` are its letters in messages, "(F, T, P)"; without them it is (F,),
    or, where messages say ``of`` what the field is, anything.
    """
    for name in names:
        if (value := getattr(noun, name)) is None:
            continue
        if shape is not None:
            ndim = None if of else len(shape)
        array = as_array(value, dtype, name, ndim=ndim, missing=missing)
        if shape is not None and array.shape != shape:
            if axes:
                raise InputError(f"{name} has shape {array.shape}, expected {axes} = {shape}")
            if of:
                raise InputError(f"{name} of {of} has shape {array.shape}, expected {shape}")
            raise InputError(f"{name} has {array.size} values, expected {shape[0]}, one for each frequency")
        object.__setattr__(noun, name, array)


def as_array(
    value: ArrayLike, dtype: Any, name: str, *, ndim: int | None = None, missing: bool = False
) -> NDArray[Any]:
    """Convert to a read-only array, check its dimensions and that it is finite.

    Parameters
    ----------
    value : array_like
        What the caller gave.
    dtype : dtype
        float, complex or an integer type.
    name : str
        Its name in messages.
    ndim : int, optional
        Number of dimensions expected.
    missing : bool
        Whether NaN is allowed (a missing value); infinity never is.

    Returns
    -------
    ndarray
        A read-only view, or a converted copy where the type differs.
    """
    array = np.asarray(value)
    whole = np.issubdtype(dtype, np.integer)
    if whole and not np.issubdtype(array.dtype, np.integer):
        # An empty list is of floats; infinity, or what no whole number of 64 bits reaches, would
        # become some other number.
        good = not np.iscomplexobj(array) and ((np.abs(array) < 2.0**63) & (array == np.trunc(array)))
        if not np.all(good):
            raise InputError(f"{name} must hold whole numbers")
    if np.iscomplexobj(array) and not np.issubdtype(dtype, np.complexfloating):
        raise InputError(f"{name} must be real")
    array = np.ascontiguousarray(array, dtype) if array.ndim else array.astype(dtype)
    array = array.view()
    array.flags.writeable = False
    if ndim is not None and array.ndim != ndim:
        raise InputError(f"{name} has {array.ndim} dimensions, expected {ndim}")
    # A number only if all are: the usual case in one pass without a temporary.
    if array.size and array.dtype.kind in "fc" and not math.isfinite(square(array)):
        bad = np.isinf(array) if missing else ~np.isfinite(array)
        if bad.any():
            first = tuple(np.argwhere(bad)[0].tolist())
            where = f" at index ({', '.join(map(str, first))})" if first else ""
            raise InputError(f"{name} is {array[first]}{where}, expected finite")
    return array


def in_rows(x: NDArray[Any]) -> NDArray[Any]:
    """``x``, copied unless neighbours along its last axis are neighbours in memory.

    Old releases of numpy round products of strided complex numbers, and some functions of strided real ones,
    by what happens to lie behind these in memory.
    """
    return x if x.strides[-1] == x.itemsize else np.ascontiguousarray(x)


def norm(x: NDArray[Any]) -> float:
    """Euclidean norm."""
    return math.sqrt(square(x))


def square(x: NDArray[Any]) -> float:
    """Sum of squares, without BLAS: its threads stand in the way of ours."""
    flat = np.ascontiguousarray(x).ravel()
    flat = flat.view(flat.real.dtype)
    return float(np.einsum("i,i->", flat, flat))


def inner(a: NDArray[Any], b: NDArray[Any]) -> complex:
    """Sum of conj(a) b, without BLAS."""
    return complex(np.einsum("i,i->", np.conj(a).ravel(), b.ravel()))


def ratio(part: Any, whole: Any) -> float:
    """``part`` over ``whole``, 0 of nothing."""
    return float(part / whole) if whole > 0 else 0.0
