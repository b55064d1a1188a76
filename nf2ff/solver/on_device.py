"""Least squares of many sets of responses at once on a graphics processor, where `kernel.gpu` serves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import gpu, spin
from nf2ff.messages.input_error import InputError
from nf2ff.solver.methods import Estimate
from nf2ff.solver.normal_fields import Fields
from nf2ff.solver.transform_check import WrongTransformError, check_points
from nf2ff.solver.transmission import TransmissionOperator, attained


def refusal(what: str) -> InputError:
    """That the device does not serve, since it takes something else."""
    return InputError(f'device "gpu" takes {what}', 'choose device="cpu"')


def plan(operator: TransmissionOperator, weights: NDArray[np.float64], fields: Fields | None) -> gpu.Batch:
    """The positions of an operator, the weights of its samples and what stands for these on the grid."""
    g = operator.geometry[0]
    if fields is None or [s for s, _ in operator.separation.over_degree[0]] != [1]:
        raise refusal("one radius, and a probe of orders mu = +-1 alone")
    field = fields.ports[0].get((0, 0))
    if len(fields.ports) > 1 or g.position is not None or field is None or not fields.alike:
        raise refusal("one port, and both polarisations at each position with the same weight")
    if operator.degree > gpu.MAX_DEGREE:
        raise refusal(f"degrees up to {gpu.MAX_DEGREE}, not {operator.degree}")
    own = (weights if operator.order is None else weights[operator.order]).reshape(len(g.chi), -1)
    xp, tolerance = gpu.array_module(), attained(operator.tolerance)
    return gpu.Batch(xp, operator.degree, tolerance, location=g.location, chi=g.chi, weights=own, field=field)


def estimates(
    batch: gpu.Batch,
    operators: Sequence[TransmissionOperator],
    response: Any,
    *,
    verify: bool,
    **options: Any,
) -> list[Estimate]:
    """Solutions for responses (B, M), each of its operator, with the options of ``batch.solve``; ``verify``
    compares the first one's transforms with direct sums."""
    xp, step, found = batch.xp, batch.capacity(), []
    host = getattr(xp, "asnumpy", np.asarray)
    back = {id(a): _from_circular(a) for a in operators}
    for start in range(0, len(response), step):
        own = operators[start : start + step]
        given = xp.asarray(response[start : start + step])
        given = (given if own[0].order is None else given[:, xp.asarray(own[0].order)]).T
        readings = xp.ascontiguousarray(given).reshape(*batch.weights.shape[:2], -1)
        x, image, *numbers = batch.solve(readings, **options)
        if verify and not start:
            first = batch.modes(x[..., :1], xp.asarray(back[id(own[0])][..., None]))
            try:
                check_points(own[0], spin.pack(host(first)[..., 0]), host(image[..., 0]).ravel())
            except WrongTransformError as error:
                raise InputError("the device computes wrong values here", 'choose device="cpu"') from error
        alike = own[:1] if len(back) == 1 else own
        matrix = np.stack([a.separation.precondition @ back[id(a)] for a in alike], axis=-1)
        q = host(xp.ascontiguousarray(batch.modes(x, xp.asarray(matrix)).T)).reshape(len(own), -1)
        found += [Estimate(*one) for one in zip(q, *(host(a).tolist() for a in numbers), strict=True)]
    return found


def _from_circular(operator: TransmissionOperator) -> NDArray[Any]:
    """Preconditioned modes from the circular parts of the map that the probe hears, (N, 2, 2)."""
    heard = operator.separation.over_degree[0][0][1][0]
    back = heard.conj().swapaxes(1, 2)
    if np.abs(heard @ back - np.eye(2)).max() > 1e-9:
        raise refusal("degrees of which the probe hears both kinds of waves, and some here are not")
    return np.asarray(back @ np.array([[1, -1], [-1j, -1j]]) / np.sqrt(2))
