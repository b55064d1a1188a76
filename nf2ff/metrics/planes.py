"""Planes of cuts through a beam: fixed in the antenna's frame, and with a name.

A cut goes through the peak of the modes in question. Its plane must not follow where noise puts the
peak: theta^ at a beam near a pole turns with the seed. So the plane is one of phi, the azimuth of
the beam rounded to a step that is small against the beam, or 0 and 90 deg where the beam is at a
pole, and all modes of one antenna have the same.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics import patches
from nf2ff.metrics.gain_and_power import intensity

Real = NDArray[np.float64]

#: Steps of phi [deg]. Multiples of 1 deg never lie half way between two of them, as 45 deg would
#: with a step of 2: there noise would choose.
STEPS_DEG = (15.0, 5.0, 1.0, 0.5, 0.1, 0.05, 0.01, 0.005, 0.001)
#: Step of phi over the width of the beam, about: small against it, and large against what errors of
#: a scan move the peak by, one sixtieth where two channels differ by 3 % and 3 deg. And distance
#: from a pole over it up to which the beam is at the pole. (Choices of ours; no other tolerance
#: tells where a pole is.)
STEP, AT_POLE = 1 / 8, 1 / 4
#: A parabola of curvature b has fallen to half of a Gaussian beam this over sqrt(b) wide.
_GAUSSIAN = 2 * math.sqrt(2 * math.log(2))
#: Widths of the beam closer than this part are equal, and an axial ratio below this is circular:
#: such a beam has no axes but those that noise gives it.
ROUND, CIRCULAR = 0.05, 10 ** (1 / 20)
#: A beam closer than this to the normal of a plane has no cut along it [rad].
_NORMAL = math.radians(2)
#: Planes by the beam's own axes, which are rounded to whole degrees.
WORDS = {
    "E": "E plane",
    "H": "H plane",
    "narrow": "plane of the narrowest beam",
    "wide": "plane of the widest beam",
}
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
#: What is understood, for messages.
ALLOWED = "an angle [deg] from the plane of phi, phi=DEG, E, H, narrow or wide"


@dataclass(frozen=True, slots=True)
class Plane:
    """The plane of a cut through a beam, wherever in it the peak is.

    Parameters
    ----------
    phi : float
        Azimuth. The great circle through a peak on this azimuth goes through the poles; through
        one beside it, it is at right angles to the way to the plane's normal [rad].
    turn : float
        Angle from that circle at the peak, from theta^ towards phi^ [rad].
    kind : str
        What it was chosen for, for its name.
    """

    phi: float
    turn: float = 0.0
    kind: str = ""

    def __post_init__(self) -> None:
        for name in ("phi", "turn"):
            value = as_array(getattr(self, name), float, f"plane: {name}", ndim=0)
            object.__setattr__(self, name, float(value))

    @property
    def phi_deg(self) -> float:
        """Azimuth of the plane, in [0, 180) [deg]."""
        return _degrees(self.phi)

    @property
    def turn_deg(self) -> float:
        """Angle from the plane of phi, in [0, 180) [deg]."""
        return _degrees(self.turn)

    @property
    def name(self) -> str:
        """The plane in words, such as "phi = 30 deg"."""
        place = f"phi = {self.phi_deg:z.9g} deg"
        if self.turn_deg == 90:
            place = f"across {place}"
        elif self.turn_deg:
            place = f"{self.turn_deg:z.9g} deg from {place}"
        return f"{self.kind} ({place})" if self.kind else place

    @property
    def across(self) -> Plane:
        """The plane a quarter turn further."""
        return Plane(self.phi, self.turn + np.pi / 2)

    def tangents(self, direction: Real) -> Real:
        """Unit vectors (..., 3) along the cuts through ``direction`` (..., 3).

        With n the normal of the plane of phi, n x r: the field of tangents of the circles about n
        (closed form), smooth but at n itself. It is theta^ where r has the azimuth phi.
        """
        normal = np.array([-math.sin(self.phi), math.cos(self.phi), 0.0])
        along = np.cross(normal, direction)
        along = along / np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-300)
        across = np.cross(direction, along)
        return np.asarray(math.cos(self.turn) * along + math.sin(self.turn) * across)

    def angle_at(self, theta: float, phi: float) -> float:
        """Angle of the cut from theta^ towards phi^ in a direction [rad]."""
        direction, along, across = unit_vectors(theta, phi)
        tangent = self.tangents(direction)
        return math.atan2(float(tangent @ across), float(tangent @ along))


#: How a plane is asked for: by its angle from the plane of phi that belongs to the beam [rad], in
#: words, or as it is.
PlaneLike = float | str | Plane


def read_plane(text: str) -> PlaneLike:
    """A plane as it is written: a number in deg, phi=DEG, E, H, narrow or wide.

    Parameters
    ----------
    text : str
        What is written.

    Returns
    -------
    float or str
        An angle [rad], or the word, checked.

    Raises
    ------
    ValueError
        Naming what is allowed.
    """
    if re.fullmatch(_NUMBER, text.strip()):
        return checked_plane(math.radians(float(text)))
    return checked_plane(text)


def checked_plane(wish: PlaneLike) -> PlaneLike:
    """``wish``, if it is one; raises as `read_plane`."""
    if isinstance(wish, Plane):
        return wish
    if not isinstance(wish, str):
        return float(as_array(wish, float, "plane", ndim=0))
    if wish not in WORDS and _azimuth(wish) is None:
        raise InputError(f"plane is {wish[:40]!r}, expected {ALLOWED}")
    return wish


def beside(wish: PlaneLike) -> PlaneLike | None:
    """What is asked for a quarter turn from ``wish``; None of a plane that only has one by itself.

    Of a plane of phi that is `Plane.across`.
    """
    if isinstance(wish, Plane):
        return wish.across
    if isinstance(wish, str):
        return {"E": "H", "H": "E", "narrow": "wide", "wide": "narrow"}.get(wish)
    return wish + np.pi / 2


def plane_text(wish: PlaneLike) -> str:
    """How a plane that was asked for is written, as `read_plane` takes it."""
    if isinstance(wish, Plane):
        return wish.name
    return wish if isinstance(wish, str) else f"{round(math.degrees(wish), 6):z.9g}"


def plane_label(wish: PlaneLike) -> str:
    """A plane that was asked for, in a few words."""
    text = plane_text(wish)
    return f"plane {text}" if isinstance(wish, str | Plane) else f"cut {text} deg"


def _azimuth(word: str) -> float | None:
    """Azimuth of "phi=45", "phi = 45 deg" [rad]."""
    found = re.fullmatch(rf"phi\s*=\s*({_NUMBER})(\s*deg)?", word.strip())
    return math.radians(float(found[1])) if found else None


# --- of a beam -----------------------------------------------------------------------------------


def plane_of(one: Modes, wish: PlaneLike, *, theta: float, phi: float) -> Plane:
    """The plane that is asked for, of a beam.

    Parameters
    ----------
    one : Modes
        Mode coefficients of one frequency.
    wish : float, str or Plane
        As an angle: from the plane that belongs to the beam, towards phi^. That is the plane of
        phi, its azimuth rounded to about an eighth of its width; at a pole, within a quarter of
        the beam's width, 0 is the plane phi = 0 and pi/2 is phi = 90 deg. "phi=45": that
        plane. "E" and "H": along the major and the minor axis of the polarisation at the peak;
        "narrow" and "wide": the principal planes of the beam, of most and least curvature; these
        four rounded to whole degrees.
    theta, phi : float
        Direction of the peak [rad].

    Returns
    -------
    Plane
        Fixed in the antenna's frame.

    Raises
    ------
    ValueError
        If there is no such word; no such plane: E and H of a circular polarisation, narrow and
        wide of a round beam; or if the beam is along the normal of the plane.
    """
    stated = stated_plane(wish, theta=theta, phi=phi)
    if stated is not None:
        return stated
    assert not isinstance(wish, Plane)
    bend = _curvature(one, theta, phi)
    own, pole = _own_plane(bend, theta, phi)
    if not isinstance(wish, str):
        return _turned(own, pole, wish)
    turn = _polarised(one, wish, theta, phi) if wish in "EH" else _principal(one, wish, bend)
    whole = np.radians(np.round(np.degrees(turn - own.angle_at(theta, phi))) % 180)
    plane = _turned(own, pole, float(whole))
    return Plane(plane.phi, plane.turn, WORDS[wish])


def stated_plane(wish: PlaneLike, *, theta: float, phi: float) -> Plane | None:
    """A plane given as it is, or as "phi=45", that does not depend on the beam; None of any other.

    As `plane_of`, but for its modes.

    Raises
    ------
    ValueError
        If there is no such word, or the beam is along the normal of the plane.
    """
    wish = checked_plane(wish)
    if isinstance(wish, Plane):
        return _through(wish, theta, phi)
    azimuth = _azimuth(wish) if isinstance(wish, str) else None
    if azimuth is None:
        return None
    plane = _through(Plane(azimuth), theta, phi)
    if min(theta, np.pi - theta) <= _NORMAL or abs(plane.angle_at(theta, phi)) < np.pi / 2:
        return plane
    return Plane(azimuth + np.pi)  # the same plane, counted along theta^


def at_pole(one: Modes, *, theta: float, phi: float) -> bool:
    """Whether a beam is at a pole, within a quarter of its width; arguments as `plane_of`."""
    return _own_plane(_curvature(one, theta, phi), theta, phi)[1] != 0


def reference_angle(one: Modes, *, theta: float, phi: float) -> float:
    """Angle from theta^ towards phi^ from which angles at the peak of a beam are counted [rad].

    0, but where the beam is at a pole the direction of the plane phi = 0; arguments as `plane_of`.
    """
    own, pole = _own_plane(_curvature(one, theta, phi), theta, phi)
    return own.angle_at(theta, phi) if pole else 0.0


def _through(plane: Plane, theta: float, phi: float) -> Plane:
    """The plane, if a beam has a cut along it."""
    aside = abs(math.sin(theta) * math.sin(phi - plane.phi))
    if aside > math.cos(_NORMAL):
        raise InputError(
            f"the beam at theta {math.degrees(theta):z.4g}, phi {math.degrees(phi):z.4g} deg looks "
            f"along the normal of the plane phi = {plane.phi_deg:z.9g} deg",
            "take another plane",
        )
    return plane


def _curvature(one: Modes, theta: float, phi: float) -> Real:
    """-(second derivatives) (2, 2) of the intensity along theta^ and phi^, over it [1/rad^2]."""
    frame = np.stack(unit_vectors(theta, phi))
    at_theta, at_phi = direction_angles(patches.patch_directions(frame, one.degree))
    u = intensity(*fields.far_field_points(one, theta=at_theta, phi=at_phi, threads=1))
    return -patches.curvature(u, one.degree)[0]


def _width(bend: float) -> float:
    """Half-power width of a beam of that curvature, at most half a turn [rad]."""
    return min(np.pi, _GAUSSIAN / math.sqrt(bend)) if bend > 0 else np.pi


def _own_plane(bend: Real, theta: float, phi: float) -> tuple[Plane, int]:
    """The plane of phi of a beam; and 1 or -1 where it is at that pole, else 0."""
    if min(theta, np.pi - theta) <= AT_POLE * _width(bend[0, 0]):
        return Plane(0.0), 1 if theta < 1.6 else -1
    wanted = math.degrees(STEP * _width(bend[1, 1]) / math.sin(theta))
    step = min(STEPS_DEG, key=lambda x: abs(math.log(x / wanted)))
    return Plane(math.radians(round(math.degrees(phi) / step) * step % 360)), 0


def _turned(own: Plane, pole: int, turn: float) -> Plane:
    """A plane at an angle from that of the beam; at a pole all are planes of phi."""
    return Plane(pole * turn) if pole else Plane(own.phi, turn)


def _polarised(one: Modes, word: str, theta: float, phi: float) -> float:
    """Angle of the E or H plane from theta^ towards phi^ [rad]."""
    a, b = (x[0, 0] for x in fields.far_field_points(one, theta=[theta], phi=phi, threads=1))
    power, linear = abs(a) ** 2 + abs(b) ** 2, abs(a * a + b * b)
    # Axes of the ellipse: power +- linear, squared (closed form).
    if power + linear < CIRCULAR**2 * (power - linear):
        raise _none("the polarisation at the peak is circular (axial ratio below 1 dB)", one, word)
    tilt = 0.5 * math.atan2(2 * float((a * b.conjugate()).real), abs(a) ** 2 - abs(b) ** 2)
    return tilt + (np.pi / 2 if word == "H" else 0.0)


def _principal(one: Modes, word: str, bend: Real) -> float:
    """Angle of the narrow or wide plane from theta^ towards phi^ [rad]."""
    value, axes = np.linalg.eigh(bend)
    wide, narrow = (_width(x) for x in value)
    if narrow > (1 - ROUND) * wide:
        raise _none(f"the beam is round (within {100 * ROUND:g} % in width at its peak)", one, word)
    x, y = axes[:, 1 if word == "narrow" else 0]
    return math.atan2(y, x)


def _none(why: str, one: Modes, word: str) -> InputError:
    where = f"{one.frequency[0] / 1e9:.9g} GHz"
    return InputError(f"{why} at {where}: there is no {WORDS[word]}, take another plane")


def _degrees(angle: float) -> float:
    """An angle of a line, in [0, 180) without the digits that rounding leaves [deg]."""
    return round(math.degrees(angle), 9) % 180
