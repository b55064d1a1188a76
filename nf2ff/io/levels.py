"""Levels of an antenna as CSV: on a grid of directions, and along cuts.

Levels are in dBi and dBm, phases in deg of the far field lim r exp(+jkr) E in exp(+jwt), referred
to the origin. A cell is empty where there is no field at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.far_field import AnyFarField, FarField, trusted_around
from nf2ff.antenna.modes import Modes
from nf2ff.io.columns import to_texts, write_columns
from nf2ff.io.safe import PathLike
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import peak
from nf2ff.metrics.cuts import cut, cut_through
from nf2ff.metrics.gain_and_power import directivity, eirp
from nf2ff.metrics.planes import Plane, PlaneLike, plane_of, stated_plane
from nf2ff.metrics.polarisation import Basis, axial_ratio, components, partial_directivity

Real = NDArray[np.float64]

#: Names of the two components of each basis, as in the columns.
COMPONENTS: dict[str, tuple[str, str]] = {
    "theta-phi": ("theta", "phi"),
    "ludwig-3": ("co", "cross"),
    "circular": ("right", "left"),
    "linear": ("co", "cross"),
}
#: Rows formatted together.
_BLOCK = 65536


def write_levels(
    path: PathLike,
    far_field: AnyFarField,
    *,
    basis: Basis = "theta-phi",
    reference_angle: float = 0.0,
    efficiency: Mapping[str, Real] | None = None,
    overwrite: bool = False,
) -> None:
    """Write directivity, its components, EIRP and phases in every direction as CSV.

    Columns: frequency_hz, theta_deg, phi_deg, directivity_dbi, the partial directivities
    X_dbi and Y_dbi, eirp_dbm (of absolute data), X_phase_deg, Y_phase_deg, and trusted, 1 where
    the near field was seen. X and Y are theta and phi, co and cross, or right and left. Then
    over_peak_db, the level over the highest on the grid, axial_ratio_db, and gain_dbi and
    realised_gain_dbi where the efficiencies are known.

    Parameters
    ----------
    path : path
        File to write.
    far_field : FarField or FarFieldBlocks
        What to write.
    basis : {"theta-phi", "ludwig-3", "circular", "linear"}
        Polarisation basis.
    reference_angle : float
        Of "ludwig-3" and "linear", as in `metrics.polarisation.components` [rad].
    efficiency : mapping of str to (F,) ndarray, optional
        "gain", "realised_gain" or both: radiated power over that accepted, or incident.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, the basis is none, or the file exists or cannot
        be written; the old one is untouched then.
    """
    names = _level_names(basis, far_field.reference)
    theta, phi = (_angle_texts(x) for x in (far_field.theta, far_field.phi))
    more = _More(np.empty(far_field.frequency.size), efficiency or {})
    rows = max(1, _BLOCK // max(1, phi.size))

    def blocks() -> Iterator[list[list[str]]]:
        each = (block.at(i) for block in far_field.blocks() for i in range(block.frequency.size))
        for f, one in enumerate(each):
            more.highest[f] = directivity(one).max()
            hertz = float(one.frequency[0])
            for at in range(0, theta.size, rows):
                part = slice(at, at + rows)
                cells = {name: getattr(one, name)[:, part] for name in ("e_theta", "e_phi")}
                seen = np.ones(cells["e_phi"].shape, bool) if one.trusted is None else one.trusted[:, part]
                some = replace(one, theta=one.theta[part], trusted=None, **cells)
                yield [
                    [repr(hertz)] * seen.size,
                    np.repeat(theta[part], phi.size).tolist(),
                    np.tile(phi, some.theta.size).tolist(),
                    *_level_texts(some, basis, reference_angle),
                    np.where(seen, "1", "0").ravel().tolist(),
                    *more.texts(some, f),
                ]

    header = ("frequency_hz", "theta_deg", "phi_deg", *names, "trusted", *more.names)
    write_columns(path, header, blocks(), overwrite=overwrite)


def write_cuts(
    path: PathLike,
    modes: Modes,
    *,
    angle: ArrayLike,
    phi: Sequence[float] = (),
    theta: Sequence[float] = (),
    plane: Sequence[PlaneLike] = (),
    through: tuple[float, float] | None = None,
    basis: Basis = "theta-phi",
    reference_angle: float = 0.0,
    seen: AnyFarField | None = None,
    efficiency: Mapping[str, Real] | None = None,
    overwrite: bool = False,
) -> None:
    """Write cuts as CSV, evaluated on the expansion itself.

    Columns: frequency_hz, cut, cut_deg, angle_deg, theta_deg and phi_deg of the direction, the
    levels and phases as `write_levels` has them, the plane in words, and what else `write_levels`
    has, over_peak_db against the peak between all directions. Three kinds of cut:

    - ``phi``: the great circle through the z axis at azimuth cut_deg; angle_deg is theta, negative
      in the half at cut_deg + 180, where the unit vectors are continued through the pole.
    - ``theta``: the cone theta = cut_deg; angle_deg is phi.
    - ``plane``: the great circle through the peak at cut_deg from the plane of phi that belongs to
      the beam (`planes.plane_of`), towards phi^, or in the plane that is asked for in words;
      angle_deg counts from the peak.

    Parameters
    ----------
    path : path
        File to write.
    modes : Modes
        Mode coefficients.
    angle : (A,) array_like
        Angles along each cut, withfrom -pi to pi [rad].
    phi, theta : sequence of float
        Cuts of each kind [rad].
    plane : sequence of float, str or Plane
        Cuts of the third kind, as `nf2ff.metrics.planes.plane_of` has them.
    through : tuple of float, optional
        Direction theta, phi that the cuts of kind ``plane`` go through and count from, instead of
        the peak of each frequency; angles are from theta^ there [rad].
    basis : {"theta-phi", "ludwig-3", "circular", "linear"}
        Polarisation basis. Along ``plane``, "ludwig-3" refers to the direction that the cut
        goes through as its axis, and to the plane 0 there as x.
    reference_angle : float
        Of "ludwig-3", about the axis, and "linear", as in `metrics.polarisation.components` [rad].
    seen : FarField or FarFieldBlocks, optional
        Far field whose ``trusted`` marks the directions, as in `trusted_around`.
    efficiency, overwrite
        As in `write_levels`.

    Raises
    ------
    ValueError
        If no cut is asked for, an angle is out of range, no power is radiated at a frequency,
        there is no such plane, the basis is none, or the file exists or cannot be written; the old
        one is untouched then.
    """
    names = _level_names(basis, modes.reference)
    angle = as_array(angle, float, "angle", ndim=1)
    kinds: dict[str, Sequence[PlaneLike]] = {"phi": phi, "theta": theta, "plane": plane}
    wanted = [(kind, wish) for kind, wishes in kinds.items() for wish in wishes]
    if not wanted:
        raise InputError("no cut is asked for", "give one of phi, theta, plane")
    for cone in theta:
        if not 0 <= cone <= np.pi:
            raise InputError(f"the cut theta is {np.degrees(cone):zg} deg, expected a cone from 0 to 180 deg")
    lines = _lines_of(modes, wanted, through)
    text = _angle_texts(angle).tolist()
    more = _More(peak(modes).directivity, efficiency or {})

    def blocks() -> Iterator[list[list[str]]]:
        for (kind, _), some in zip(wanted, lines, strict=True):
            pairs = zip(modes.each(), some, strict=True)
            for f, (one, line) in enumerate(pairs):
                at, field = _evaluate(one, kind, line, angle, basis)
                place = str(_angle_texts(np.array([line.shown]))[0])
                place_theta, place_phi = (np.degrees(part) for part in at)
                yield [
                    [repr(float(field.frequency[0]))] * angle.size,
                    [kind] * angle.size,
                    [place] * angle.size,
                    text,
                    _texts(place_theta, 6),
                    _texts(place_phi, 6, turn=360.0),
                    *_level_texts(field, basis, reference_angle),
                    np.where(trusted_around(seen, *at, index=f), "1", "0").tolist(),
                    [line.name] * angle.size,
                    *more.texts(field, f),
                ]

    header = ("frequency_hz", "cut", "cut_deg", "angle_deg", "theta_deg", "phi_deg")
    write_columns(path, (*header, *names, "trusted", "plane", *more.names), blocks(), overwrite=overwrite)


def directions(modes: Modes, through: tuple[float, float] | None) -> Real:
    """Theta and phi (F, 2) of one direction for each frequency: that given, or the peak [rad].

    Raises
    ------
    ValueError
        If an angle is not finite, or no power is radiated at a frequency.
    """
    if through is None:
        top = peak(modes)
        return np.stack([top.theta, top.phi], axis=1)
    return np.tile(as_array(through, float, "through", ndim=1), (modes.frequency.size, 1))


class _Line(NamedTuple):
    """One cut of one frequency: cut_deg and the plane in words; of kind "plane" the direction that
    it goes through, its angle from theta^ there, and the azimuth about it for ludwig-3."""

    shown: float
    name: str
    through: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    around: float = 0.0


def _lines_of(
    modes: Modes, wanted: list[tuple[str, PlaneLike]], through: tuple[float, float] | None
) -> list[list[_Line]]:
    """For each cut its lines at each frequency."""
    found: list[list[_Line]] = [[] for _ in wanted]
    axis = directions(modes, through) if any(kind == "plane" for kind, _ in wanted) else None
    for f, one in enumerate(modes.each()):
        start = None
        for (kind, wish), lines in zip(wanted, found, strict=True):
            if kind != "plane" or axis is None:
                assert isinstance(wish, int | float)
                degrees = _angle_texts(np.array([wish]))[0]
                lines.append(_Line(wish, f"{kind} = {degrees} deg"))
                continue
            theta, phi = axis[f].tolist()
            if through is None:
                plane = plane_of(one, wish, theta=theta, phi=phi)
                if start is None:
                    first = plane_of(one, 0.0, theta=theta, phi=phi)
                    start = first.angle_at(theta, phi)
            else:
                plane, start = _through(wish, theta, phi), 0.0
            turn = plane.angle_at(theta, phi)
            shown = np.radians(plane.turn_deg) if isinstance(wish, str | Plane) else wish
            lines.append(_Line(shown, plane.name, (theta, phi), turn, turn - start))
    return found


def _through(wish: PlaneLike, theta: float, phi: float) -> Plane:
    """A plane through a stated direction, of which there is no beam to say more."""
    if isinstance(wish, str | Plane):
        plane = stated_plane(wish, theta=theta, phi=phi)
        if plane is None:
            raise InputError(
                f"plane {wish} belongs to the beam", "leave out the direction that cuts go through"
            )
        return plane
    return Plane(phi, wish)


def _evaluate(
    one: Modes, kind: str, line: _Line, angle: Real, basis: Basis
) -> tuple[tuple[Real, Real], FarField]:
    """Directions of a cut, and its field as one row (1, 1, A).

    The azimuth of that row is the one about the axis of the cut, to which ludwig-3 refers.
    """
    position = line.shown
    around = np.full(angle.size, position)
    if kind == "phi":
        e = cut(one, phi=position, theta=angle)
        at = np.abs(angle), np.mod(np.where(angle < 0, position + np.pi, position), 2 * np.pi)
    elif kind == "theta":
        around = angle
        at = np.full(angle.size, position), np.mod(angle, 2 * np.pi)
        e = fields.far_field_points(one, theta=at[0], phi=angle)
    else:
        (theta, phi), around = line.through, np.full(angle.size, line.around)
        at = _along(theta, phi, line.turn, angle)
        if basis in ("theta-phi", "linear"):
            e = fields.far_field_points(one, theta=at[0], phi=at[1])
        else:
            e = cut_through(one, theta=theta, phi=phi, plane=line.turn, angle=angle)
    unused = np.zeros(1)  # theta of that row: nothing made of it looks there
    e_theta, e_phi = (x[:, None] for x in e)
    power = one.radiated_power()
    return at, FarField(one.frequency, unused, around, e_theta, e_phi, power, one.reference)


def _along(theta: float, phi: float, plane: float, angle: Real) -> tuple[Real, Real]:
    """Directions (A,) along a great circle, as `cut_through` has it."""
    origin, towards_theta, towards_phi = unit_vectors(theta, phi)
    along = np.cos(plane) * towards_theta + np.sin(plane) * towards_phi
    return direction_angles(np.cos(angle)[:, None] * origin + np.sin(angle)[:, None] * along)


def _level_names(basis: Basis, reference: str) -> tuple[str, ...]:
    if basis not in COMPONENTS:
        raise InputError(f"basis is {basis!r}, expected one of {', '.join(COMPONENTS)}")
    a, b = COMPONENTS[basis]
    power = ("eirp_dbm",) if reference == "absolute" else ()
    levels = ("directivity_dbi", f"{a}_dbi", f"{b}_dbi")
    return (*levels, *power, f"{a}_phase_deg", f"{b}_phase_deg")


def _level_texts(field: FarField, basis: Basis, reference_angle: float) -> list[list[str]]:
    """Cells of each column that `_level_names` names, of a field at one frequency."""
    parts = partial_directivity(field, basis, reference_angle=reference_angle)
    waves_of = components(field, basis, reference_angle=reference_angle)
    powers = [directivity(field), *parts]
    if field.reference == "absolute":
        powers.append(eirp(field) / 1e-3)
    columns = []
    with np.errstate(divide="ignore"):
        columns += [(10 * np.log10(x), 6) for x in powers]
    columns += [(np.where(x == 0, np.nan, np.degrees(np.angle(x))), 4) for x in waves_of]
    return [_texts(x.ravel(), decimals) for x, decimals in columns]


class _More(NamedTuple):
    """Columns behind the others: directivity at the peak (F,), and efficiencies (F,) by the figure
    that they make of directivity."""

    highest: Real
    efficiency: Mapping[str, Real]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns."""
        return ("over_peak_db", "axial_ratio_db", *(f"{name}_dbi" for name in self.efficiency))

    def texts(self, field: FarField, index: int) -> list[list[str]]:
        """Cells of each, of a field at the frequency of that index."""
        level = directivity(field)
        with np.errstate(divide="ignore"):
            columns = [10 * np.log10(level / self.highest[index]), 20 * np.log10(axial_ratio(field))]
            columns += [10 * np.log10(level * share[index]) for share in self.efficiency.values()]
        return [_texts(x.ravel(), 6) for x in columns]


def _angle_texts(radians: Real) -> NDArray[np.object_]:
    """Degrees without the last digits that rounding in radians leaves."""
    return to_texts(np.asarray(np.round(np.degrees(radians), 9), dtype=np.float64))


def _texts(values: Real, decimals: int, turn: float = np.inf) -> list[str]:
    """Cells with as many decimals, below ``turn``; empty where there is no number."""
    rounded = np.round(values, decimals)
    texts = list(map(f"{{:z.{decimals}f}}".format, np.where(rounded == turn, 0.0, rounded).tolist()))
    for i in np.flatnonzero(~np.isfinite(values)):
        texts[i] = ""
    return texts
