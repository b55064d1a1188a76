"""Angles of positioners against rotation matrices by scipy, closed forms, and the sense of each axis."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nf2ff.antenna.closed_form import near_field
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.measurement.positioner import POSITIONERS, sphere_angles
from nf2ff.measurement.simulated import simulate
from nf2ff.messages.input_error import InputError

#: Some ten roundings of numbers up to 1.
ATOL = 1e-14
RNG = np.random.default_rng(5)
AZ, EL, ROLL, CHI = RNG.uniform(-np.pi, np.pi, (4, 50))


def unit_vectors(theta, phi):
    """r^, theta^ and phi^, (3, M) each."""
    ct, st, cp, sp = np.cos(theta), np.sin(theta), np.cos(phi), np.sin(phi)
    zero = np.zeros_like(theta)
    return (
        np.array([st * cp, st * sp, ct]),
        np.array([ct * cp, ct * sp, -st]),
        np.array([-sp, cp, zero]),
    )


@pytest.mark.parametrize("stack", POSITIONERS)
def test_the_probe_is_where_rotation_matrices_put_it(stack):
    # The antenna is turned by the product of the turns of its axes, the one on the floor leftmost, each by
    # the right-hand rule about its own unit vector; the probe is then in its frame by the transpose.
    if stack == "roll-over-azimuth":
        turns = [("y", -AZ), ("z", -ROLL)]
    elif stack == "elevation-over-azimuth":
        turns = [("y", -AZ), ("x", EL), ("z", -ROLL)]
    else:
        turns = [("x", EL), ("y", -AZ), ("z", -ROLL)]
    antenna = Rotation.identity(50)
    for axis, angle in turns:
        unit = np.eye(3)["xyz".index(axis)]
        antenna = antenna * Rotation.from_rotvec(angle[:, None] * unit)
    sight = antenna.inv().apply([0, 0, 1.0]).T
    probe = antenna.inv().apply(np.stack([np.cos(CHI), np.sin(CHI), 0 * CHI], axis=1)).T
    theta, phi, chi = sphere_angles(stack, azimuth=AZ, elevation=EL, roll=ROLL, chi=CHI)
    r, along_theta, along_phi = unit_vectors(theta, phi)
    np.testing.assert_allclose(r, sight, atol=ATOL)
    np.testing.assert_allclose(along_theta * np.cos(chi) + along_phi * np.sin(chi), probe, atol=ATOL)


@pytest.mark.parametrize("stack", POSITIONERS)
def test_a_probe_that_stands_still_reads_what_is_simulated_at_the_angles_found(stack):
    # The dipoles themselves are turned, and the field at the fixed probe is taken in closed form; 1e-12 for
    # some hundred roundings of phases k r = 30.
    antenna = DipoleCluster(
        position=[[0.03, -0.01, 0.02], [-0.02, 0.04, 0.01]],
        electric=[[1e-3, 2e-4j, 3e-4], [0, 1e-3, 5e-4j]],
        magnetic=[[0.1, 0, 0.2j], [0, 0.3, 0]],
    )
    az, el, roll, chi = AZ[:6], EL[:6], ROLL[:6], CHI[:6]
    theta, phi, chi_found = sphere_angles(stack, azimuth=az, elevation=el, roll=roll, chi=chi)
    found = simulate(antenna, frequency=[3e9], theta=theta, phi=phi, chi=chi_found, radius=0.5)
    for m in range(6):
        turn = {
            "roll-over-azimuth": [("y", -az[m]), ("z", -roll[m])],
            "elevation-over-azimuth": [("y", -az[m]), ("x", el[m]), ("z", -roll[m])],
            "azimuth-over-elevation": [("x", el[m]), ("y", -az[m]), ("z", -roll[m])],
        }[stack]
        matrix = np.eye(3)
        for axis, angle in turn:
            matrix = matrix @ Rotation.from_euler(axis, angle).as_matrix()
        turned = DipoleCluster(
            *(x @ matrix.T for x in (antenna.position, antenna.electric, antenna.magnetic))
        )
        _, x, y = near_field(turned, frequency=[3e9], theta=0, phi=0, radius=0.5)  # theta^ = x^, phi^ = y^
        wanted = x[0, 0] * np.cos(chi[m]) + y[0, 0] * np.sin(chi[m])
        np.testing.assert_allclose(found.response[0, m], wanted, rtol=1e-12)


def test_directions_in_closed_form():
    deg = np.radians
    # Each axis alone moves the probe to +x, +y, and from +x to +y.
    for stack in POSITIONERS:
        theta, phi, chi = sphere_angles(stack, azimuth=deg(30), chi=deg(20))
        np.testing.assert_allclose([theta, phi, chi], deg([30, 0, 20]), atol=ATOL)
        theta, phi, chi = sphere_angles(stack, azimuth=deg(30), roll=deg(50), chi=deg(90))
        np.testing.assert_allclose([theta, phi, chi], deg([30, 50, 90]), atol=ATOL)
    for stack in ("elevation-over-azimuth", "azimuth-over-elevation"):
        # Seen from +y, the horizontal axis x^ is -phi^, and vertical is theta^.
        theta, phi, chi = sphere_angles(stack, azimuth=0, elevation=deg(30), chi=deg([0, 90]))
        np.testing.assert_allclose(theta, deg([30, 30]), atol=ATOL)
        np.testing.assert_allclose(phi, deg([90, 90]), atol=ATOL)
        np.testing.assert_allclose(chi, deg([-90, 0]), atol=ATOL)
    theta, phi, _ = sphere_angles("elevation-over-azimuth", azimuth=AZ, elevation=EL)
    wanted = np.array([np.sin(AZ), np.cos(AZ) * np.sin(EL), np.cos(AZ) * np.cos(EL)])
    np.testing.assert_allclose(unit_vectors(theta, phi)[0], wanted, atol=ATOL)
    theta, phi, _ = sphere_angles("azimuth-over-elevation", azimuth=AZ, elevation=EL)
    wanted = np.array([np.cos(EL) * np.sin(AZ), np.sin(EL), np.cos(EL) * np.cos(AZ)])
    np.testing.assert_allclose(unit_vectors(theta, phi)[0], wanted, atol=ATOL)


@pytest.mark.parametrize("stack", ["elevation-over-azimuth", "azimuth-over-elevation"])
def test_at_poles_phi_is_the_roll_and_chi_keeps_the_polarisation(stack):
    theta, phi, chi = sphere_angles(
        stack, azimuth=[0, np.pi], elevation=0, roll=np.radians(40), chi=np.radians(25)
    )
    np.testing.assert_allclose(theta, [0, np.pi], atol=ATOL)
    np.testing.assert_allclose(phi, np.radians([40, 40]), atol=ATOL)
    # theta^ at theta = pi and phi = 0 is -x^, as is the laboratory's x^ to an antenna turned about y.
    np.testing.assert_allclose(chi, np.radians([25, 25]), atol=ATOL)


def test_a_positive_or_negative_azimuth_stays_what_it_is_with_roll_over_azimuth():
    theta, phi, chi = sphere_angles("roll-over-azimuth", azimuth=[-0.3, 0.3], roll=[1, 4], chi=2)
    np.testing.assert_array_equal(theta, [-0.3, 0.3])
    np.testing.assert_array_equal(phi, [1, 4])
    np.testing.assert_array_equal(chi, [2, 2])


def test_unknown_stack():
    with pytest.raises(InputError, match="positioner is 'roll', expected one of roll-over-azimuth"):
        sphere_angles("roll", azimuth=0)
