"""What a native file holds of each noun: datasets with units and axes, and attributes."""

from __future__ import annotations

from nf2ff.io.hdf5 import Attribute, Field, Schema
from nf2ff.measurement.samples import RESPONSE_UNITS

FREQUENCY = Field("frequency", "Hz", "frequency", ("frequency",))
_LEVEL = Attribute("reference", ("absolute", "relative"))
_CHI = "rotation of the probe about its axis, from theta^ towards phi^"
_RESPONSE = "response, exp(+jwt), peak; NaN where missing"
_OF_SAMPLE, _OF_ALL = ("sample",), ("frequency", "sample")
SAMPLES = Schema(
    (
        FREQUENCY,
        Field("sample", "1", "number of the sample, from 1", _OF_SAMPLE, "i", derived=True),
        Field("theta", "rad", "polar angle of the probe", _OF_ALL, least=1),
        Field("phi", "rad", "azimuth of the probe", _OF_ALL, least=1),
        Field("chi", "rad", _CHI, _OF_ALL, least=1),
        Field("radius", "m", "distance of the probe from the origin", _OF_ALL, least=1),
        Field("port", "1", "probe port, from 1", _OF_SAMPLE, "i"),
        Field("response", RESPONSE_UNITS, _RESPONSE, _OF_ALL, "c", missing=True),
        Field("time", "s", "when the sample was taken", _OF_ALL, least=1, optional=True),
        Field("coherence", "1", "samples of one number share a phase", _OF_SAMPLE, "i", optional=True),
    )
)
_MODE = (
    Field("mode", "1", "j = 2 (n (n+1) + m - 1) + s", ("mode",), "i", derived=True),
    Field("s", "1", "kind: 1 transverse electric, 2 transverse magnetic", ("mode",), "i"),
    Field("m", "1", "azimuthal order", ("mode",), "i"),
    Field("n", "1", "degree", ("mode",), "i"),
)
_Q = "spherical mode coefficients, exp(+jwt), peak"
MODES = Schema(
    (FREQUENCY, *_MODE, Field("coefficients", "sqrt(W)", _Q, ("frequency", "mode"), "c")), (_LEVEL,)
)
_LIMIT = "component of lim r exp(+jkr) E, exp(+jwt), peak"
_GRID = ("frequency", "theta", "phi")
FAR_FIELD = Schema(
    (
        FREQUENCY,
        Field("theta", "rad", "polar angle", ("theta",)),
        Field("phi", "rad", "azimuth", ("phi",)),
        Field("e_theta", "V", f"theta {_LIMIT}", _GRID, "c"),
        Field("e_phi", "V", f"phi {_LIMIT}", _GRID, "c"),
        Field("radiated_power", "W", "radiated power", ("frequency",)),
        Field("trusted", "1", "1 where the near field was seen", _GRID, "b", optional=True),
    ),
    (_LEVEL,),
)


def _probe_schema(axes: tuple[str, ...]) -> Schema:
    """Of a probe whose coefficients have these axes: with the frequency, or alike at all."""
    fields = (
        Field("port", "1", "probe port, from 1", ("port",), "i", derived=True),
        *_MODE,
        Field("coefficients", "1", "receiving coefficients", axes, "c"),
    )
    radius = Attribute("minimum_radius_m", float, "minimum_radius", optional=True)
    unit = Attribute("response_unit", RESPONSE_UNITS)
    return Schema((FREQUENCY, *fields) if "frequency" in axes else fields, (unit, radius))


PROBE = _probe_schema(("frequency", "port", "mode"))
CONSTANT_PROBE = _probe_schema(("port", "mode"))
