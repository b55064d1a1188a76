"""What radiates, as modes, from any file that holds a whole far field, and which directions were seen."""

from __future__ import annotations

from nf2ff.antenna.expansion import expand_far_field, expand_ports
from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.modes import Modes
from nf2ff.io.native import file_kind, read_far_field, read_far_field_blocks, read_modes, read_result
from nf2ff.io.power_columns import power_table_kind
from nf2ff.io.safe import PathLike
from nf2ff.io.tables import read_pattern
from nf2ff.messages.input_error import InputError, found_in

#: What files that cannot be expanded in modes hold.
_OTHERS = {
    "power": "powers without phase",
    "sensitivity": "sensitivities",
    "table": "samples",
    "samples": "samples",
    "nsma_pattern": "cuts without phase",
    "probe": "a probe",
}


def read_radiation(path: PathLike, *, port: int = 1) -> tuple[Modes, tuple[str, ...]]:
    """Modes of a result, of modes, or of a far field that covers the sphere, native or CSV."""
    kind = file_kind(path)
    if kind == "table":
        kind = power_table_kind(path) or kind
    if kind == "result":
        result = read_result(path, blocks=True)
        return result.modes, tuple(dict.fromkeys(x for some in result.warnings for x in some))
    if kind == "modes":
        return read_modes(path), ()
    if kind not in ("far_field", "pattern"):
        raise InputError(
            f"{path}: holds {_OTHERS.get(kind, kind)}, expected a far field over the whole sphere",
            "give a result of nf2ff transform, or a pattern with phase",
        )
    with found_in(path):
        if kind == "far_field":
            found = expand_far_field(read_far_field(path))
        else:
            pattern = read_pattern(path)
            ports = pattern.port.tolist()
            if port not in ports:
                raise InputError(f"has no port {port}", f"choose from {', '.join(map(str, ports))}")
            which = slice(ports.index(port), ports.index(port) + 1)
            found = expand_ports(
                frequency=pattern.frequency,
                theta=pattern.theta,
                phi=pattern.phi,
                e_theta=pattern.e_theta[:, which],
                e_phi=pattern.e_phi[:, which],
                reference=pattern.reference,
            )[0]
    return found.modes, tuple(dict.fromkeys(x for some in found.warnings for x in some))


def read_seen(path: PathLike) -> AnyFarField | None:
    """The far field of a file that marks directions whose near field was not seen.

    Parameters
    ----------
    path : path
        Any file that `read_radiation` reads.

    Returns
    -------
    FarField, FarFieldBlocks or None
        None where nothing is marked.

    Raises
    ------
    ValueError
        As `read_radiation`.
    """
    kind = file_kind(path)
    field: AnyFarField | None = None
    if kind == "result":
        field = read_result(path, blocks=True).far_field
    elif kind == "far_field":
        field = read_far_field_blocks(path)
    return field if field is not None and field.trusted is not None else None
