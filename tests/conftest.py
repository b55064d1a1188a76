"""Shared helpers of the tests."""

import os

# Dense matrices of the tests are small, and on busy cores the threads of the linear algebra wait
# for each other: singular values of 144 x 96 took eighty times the processor time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Where pytest runs one worker for each core (-n auto), more threads would only wait for each other.
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pytest

if "FRESH_MEMORY" in os.environ:
    # What was never written must not be read: fresh arrays hold this number (nan, inf), not what lay there.
    def _filled(make, value=float(os.environ["FRESH_MEMORY"])):
        def fresh(*args, **options):
            made = make(*args, **options)
            if made.dtype.kind in "fc":
                made.fill(value if made.dtype.kind == "f" else complex(value, value))
            return made

        return fresh

    np.empty, np.empty_like = _filled(np.empty), _filled(np.empty_like)

from nf2ff.kernel import gpu
from nf2ff.messages.input_error import InputError


@pytest.fixture
def rng():
    """A generator with a fixed seed, new for each test."""
    return np.random.default_rng(20240)


@pytest.fixture(params=["numpy", "cupy"])
def xp(request):
    """An array module: numpy, and CuPy where it is installed and finds a device."""
    if request.param == "numpy":
        return np
    try:
        return gpu.array_module()
    except InputError as error:
        pytest.skip(str(error))


@pytest.fixture
def random_q(rng):
    """Return a function degree -> (2N(N+2),) random complex coefficients, all modes alike."""

    def make(degree):
        count = 2 * degree * (degree + 2)
        return rng.normal(size=count) + 1j * rng.normal(size=count)

    return make


@pytest.fixture
def points(rng):
    """Return a function count -> theta, phi, chi, each (count + 4,): random, with both poles."""

    def make(count):
        theta = np.concatenate([[0, 0, np.pi, np.pi], np.arccos(rng.uniform(-1, 1, count))])
        phi, chi = rng.uniform(0, 2 * np.pi, (2, theta.size))
        return theta, phi, chi

    return make
