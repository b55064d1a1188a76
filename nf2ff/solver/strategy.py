"""How to solve: by a quadrature, by least squares or by a dense matrix, and how exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nf2ff.messages.input_error import InputError

#: Smallest tolerance: what is below is rounding.
LEAST_RTOL = 1e-16


@dataclass(frozen=True, slots=True)
class Quadrature:
    """Non-iterative solution on a full regular grid.

    At each position chi must take enough values to separate the probe's azimuthal orders: two for
    orders +-1.

    Parameters
    ----------
    first_order : bool
        Take the probe as if it had the azimuthal orders +-1 only; the error is reported.
    threads : int or None
        Threads; None for ``OMP_NUM_THREADS`` of the environment, or else one for each core.
    """

    first_order: bool = False
    threads: int | None = None


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """Conjugate gradients on any sample set.

    Parameters
    ----------
    rtol : float
        Fall of the gradient of the squared residual at which to stop, at least `LEAST_RTOL`.
    max_iterations : int
        Most steps.
    damping : float or None
        Singular values of the problem, about 1 where the sphere is well sampled, below which the
        solution is held back, 1 at most; 0 for none, None for none unless a part of the sphere was not seen.
    unweighted_finish : bool
        Whether to go on to the solution of equal weights, which has the least variance under white
        noise; weights by the area that each sample stands for make the iteration short.
    first_order, threads
        As of `Quadrature`.
    device : str
        "cpu", or "gpu" for all frequencies at once on a graphics processor by CuPy: both polarisations at
        each position, one port and radius, nothing missing, and a probe of orders mu = +-1. It needs
        ``pip install 'nf2ff[gpu]'``, or the CuPy of another CUDA release.
    spared : tuple of float or None
        For each frequency the squared singular value g of waves that damping is not to hold back: the
        solution is taken 1 + damping^2 / g times, that of waves far below staying small. None for all
        held back.

    Notes
    -----
    Under white noise an uneven set of M samples gives M sum a_i^2 / (sum a_i)^2 times the
    variance of an even one (a_i the area that each stands for): pi^2/8 = 1.23 for a spiral of
    constant axis speeds (closed form, a ~ sin(theta)). That is the price of the positions; the
    area weights themselves cost 1 to 2 % more than equal ones (measured).

    With up to three threads the same samples give the same solution to the last bit. On more, sums are taken
    in an order that differs from run to run, and solutions by about 1e-15 of the largest coefficient, or by
    what `rtol` leaves where the samples hardly determine them.

    A probe of strong orders mu other than +-1 needs enough values of chi for a short iteration.
    Measured with random probes of degree 4, orders +-2 as strong as +-1 and 5 dB stronger: 40 and
    110 steps with two values of chi, 23 and 40 with three, 8 with five.
    """

    rtol: float = 5e-10
    max_iterations: int = 200
    damping: float | None = None
    unweighted_finish: bool = False
    first_order: bool = False
    threads: int | None = None
    device: str = "cpu"
    spared: tuple[float, ...] | None = None

    def restored(self, index: int) -> float:
        """What the solution of a frequency is multiplied by."""
        return 1 + (self.damping or 0.0) ** 2 / self.spared[index] if self.spared else 1.0

    def __post_init__(self) -> None:
        if self.device not in ("cpu", "gpu"):
            raise InputError(f'device is "{self.device}", expected "cpu" or "gpu"')
        if not LEAST_RTOL <= self.rtol < 1:
            raise InputError(
                f"rtol is {self.rtol}, expected between 0 and 1, and not below rounding, {LEAST_RTOL}"
            )
        if self.max_iterations < 1:
            raise InputError(f"max_iterations is {self.max_iterations}, expected at least 1")
        if self.damping is not None and not 0 <= self.damping <= 1:
            raise InputError(f"damping is {self.damping}, expected 0 (no wave is held back) to 1 (all are)")
        if self.spared is not None and not all(0 < g < np.inf for g in self.spared):
            raise InputError(f"spared is {self.spared}, expected all above 0")


@dataclass(frozen=True, slots=True)
class Direct:
    """Dense matrix and singular values, the oracle for small degrees."""


Method = Quadrature | LeastSquares | Direct
