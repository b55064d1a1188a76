"""A step of level and phase from one reading on, as a receiver makes that is restarted within a scan.

A solution smooths it out: near the step the readings depart from the model by another factor before than
after, which says where it may be. The solution is linear in the readings: what is left of those before a
place and of those after it, solved apart, says which factor between them leaves least, and how little: at
the step nothing but noise, a line of the scan away nearly all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import inner, norm

Complex = NDArray[np.complex128]
Whole = NDArray[np.intp]

#: Windows in a scan, before and after a place in time, in which readings are compared with the model; places
#: at which a step is tried, of each kind; how many of all are looked at more closely.
_WINDOWS, _PLACES, _BEST = 128, 10, 4
#: Places after which the search ends where none leaves less than a part of the misfit (measured: up to 0.21
#: where there was a step, mostly 0.5 to 1 where there was none); what a place leaves that is looked at more
#: closely; and what the place of a step leaves, after which no other is tried.
_LOOKS, _HOPELESS, _PROMISING, _FOUND = 8, 0.5, 0.3, 0.02
#: What a step leaves over what the readings of one side leave by themselves, up to which it is one. Beyond, a
#: factor that makes all others vanish does as well: of a ring at a pole, which any modes explain.
_TOGETHER = 0.5
#: Power below the strongest at which a factor counts half as much.
_FAINT = 1e-3


class Step(NamedTuple):
    """A step in time.

    Parameters
    ----------
    row : int
        The first reading after it.
    later : (M,) ndarray of bool
        All readings after it.
    factor : complex
        By which these are off those before.
    rest : float
        Power of the misfit over that of the readings, with these put right, over what it was.
    """

    row: int
    later: NDArray[np.bool_]
    factor: complex
    rest: float


def orders(time: NDArray[np.float64] | None, kind: NDArray[Any]) -> Iterator[tuple[str, Whole]]:
    """In which orders readings may have been taken, and what these are called.

    Of their ``time`` (M,), if that is known; ``kind`` (M,) is 0, 1 ... of those of one port and chi.
    """
    if time is not None:
        yield "time", np.argsort(time, kind="stable")
        return
    yield "the table", np.arange(kind.size)
    # Polarisations that stand one below the other may have been read side by side.
    place = np.zeros(kind.size, dtype=np.intp)
    for one in np.unique(kind):
        own = kind == one
        place[own] = np.arange(np.count_nonzero(own))
    beside = np.argsort(place, kind="stable")
    if (np.diff(beside) != 1).any():
        yield "the table, polarisations side by side", beside


def find_step(
    order: Whole,
    model: Complex,
    misfit: Complex,
    left: Callable[[NDArray[np.bool_]], Complex],
    *,
    near: int | None = None,
) -> Step:
    """The step that explains most of a misfit.

    Parameters
    ----------
    order : (M,) ndarray
        Readings in the order of time.
    model, misfit : (M,) ndarray
        What the solution says of each, and what it leaves of it.
    left : callable
        What the solution of a part of them leaves: of a mask (M,), (M,).
    near : int, optional
        A reading at which there was a step at another frequency, which is tried first.
    """
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    readings, tiny = model + misfit, float(np.finfo(float).tiny)
    all_left = (norm(misfit) / norm(readings)) ** 2

    @cache
    def tried(place: int) -> tuple[float, complex, float]:
        """The least part of the readings that is left with a factor on those from a place in time on, over
        what is left without; the factor that puts them right; and the part that one side leaves alone."""
        later = rank >= place
        second = left(later)
        sizes = [max(norm(readings[x]), tiny) for x in (~later, later)]
        # Of the readings so corrected: nothing would be left of those that a factor makes vanish.
        first, second = (misfit - second) / sizes[0], second / sizes[1]
        cross = inner(first, second)
        gram = np.array([[norm(first) ** 2, cross], [np.conj(cross), norm(second) ** 2]])
        value, vector = np.linalg.eigh(gram)
        a, b = vector[:, 0] / sizes
        alone = float(gram.diagonal().real.min())
        return max(float(value[0]), 0.0) / all_left, b / a if a else 0j, alone / all_left

    width = max(2, order.size // _WINDOWS)
    best = 1 if near is None else max(1, int(rank[near]))
    if near is None or tried(best)[0] > 1 / _WINDOWS:
        looks = list[int]()
        for one in _likely(model[order], misfit[order], width):
            looks.append(one)
            least = min(tried(x)[0] for x in looks)
            if least <= _FOUND or (len(looks) == _LOOKS and least > _HOPELESS):
                break
        looks.sort(key=lambda x: tried(x)[0])
        places = list[int]()
        for one in looks:
            found = any(tried(x)[0] <= _FOUND for x in places)
            if found or len(places) == _BEST or tried(one)[0] > _PROMISING:
                break
            if all(abs(one - x) > 2 * width for x in places):
                places.append(_descend(one, width, order.size, tried))
        best = min(places or looks, key=lambda x: tried(x)[0], default=best)
    rest, correction, alone = tried(best)
    rest = rest if rest <= _TOGETHER * alone else 1.0
    return Step(int(order[best]), rank >= best, complex(1 / correction) if correction else 1.0, rest)


def _descend(place: int, width: int, size: int, tried: Callable[[int], tuple[float, complex, float]]) -> int:
    """The place near another at which least is left, in steps that become smaller."""
    while width > 0:
        close = [x for x in (place - width, place + width) if 0 < x < size]
        better = min(close, key=lambda x: tried(x)[0], default=place)
        if tried(better)[0] < tried(place)[0]:
            place = better
        else:
            width //= 2
    return place


def _likely(model: Complex, misfit: Complex, width: int) -> list[int]:
    """Places in time, the likeliest first, from which on readings depart from the model by another factor."""
    middle = np.arange(width, model.size - width + 1)
    product, power = (
        np.concatenate([[0], np.cumsum(x)]) for x in (misfit * model.conj(), model.real**2 + model.imag**2)
    )
    change = np.abs(product[middle + width] - 2 * product[middle] + product[middle - width])
    around = power[middle + width] - power[middle - width]
    # Where the field is weak, and where it is strong.
    kinds: list[list[int]] = []
    for score in (change / (around + _FAINT * around.max()), change):
        kinds.append([])
        for _ in range(_PLACES):
            at = int(np.argmax(score))
            kinds[-1].append(int(middle[at]))
            score[max(0, at - width) : at + width] = 0
    return [x for pair in zip(*kinds, strict=True) for x in pair]
