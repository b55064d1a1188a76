"""Scans of arrays with errors of known size, and figures of their beams, in closed form.

Nothing here is of the package but the container of the samples: the field of short dipoles, what a
scanner with errors records of it, and beamwidth and sidelobe by brute force in a stated plane.
Wavelength one metre, impedance of free space 376.73 ohm, exp(+jwt).
"""

from __future__ import annotations

import math

import numpy as np

from nf2ff.measurement.samples import Samples

K = 2 * np.pi
FREQUENCY = 299_792_458.0
Z0 = 376.730313668


def unit(theta, phi):
    """r^, theta^, phi^, each (..., 3)."""
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return (
        np.stack([st * cp, st * sp, ct], -1),
        np.stack([ct * cp, ct * sp, -st], -1),
        np.stack([-sp, cp, 0 * sp], -1),
    )


class Array:
    """Short x-directed dipoles, two layers a quarter wavelength apart that fire along +z."""

    def __init__(self, columns, rows, *, theta=0.0, phi=0.0, spacing=0.5):
        x = spacing * (np.arange(columns) - (columns - 1) / 2)
        y = spacing * (np.arange(rows) - (rows - 1) / 2)
        place = np.stack(np.meshgrid(x, y, [-0.125, 0.125], indexing="ij"), -1).reshape(-1, 3)
        aim = unit(np.array(theta), np.array(phi))[0]
        phase = -K * (place[:, :2] @ aim[:2]) - K * place[:, 2]
        self.place, self.moment = place, np.exp(1j * phase)
        self.aim = aim

    def near(self, point):
        """E (M, 3) at points (M, 3): the field of a short dipole (any textbook)."""
        apart = point[:, None] - self.place
        r = np.linalg.norm(apart, axis=-1)
        towards = apart / r[..., None]
        q = 1 / (1j * K * r)
        wave = -1j * K * Z0 / (4 * np.pi) * self.moment * np.exp(-1j * K * r) / r
        radial = towards[..., 0] * (1 + 3 * q + 3 * q * q)
        field = -np.einsum("mk,mki->mi", wave * radial, towards)
        field[:, 0] += (wave * (1 + q + q * q)).sum(1)
        return field

    def intensity(self, direction):
        """|E|^2 far away in directions (..., 3), of any level."""
        factor = np.exp(1j * K * np.tensordot(direction, self.place, (-1, 1))) @ self.moment
        return np.abs(factor) ** 2 * (1 - direction[..., 0] ** 2)

    def peak(self):
        """Direction (3,) of the highest intensity, climbed from where the phases aim."""
        here, step = self.aim, 0.05
        for _ in range(60):
            side = np.linalg.svd(here[None])[2][1:]
            ring = np.linspace(0, 2 * np.pi, 24, endpoint=False)
            ways = np.cos(ring)[:, None] * side[0] + np.sin(ring)[:, None] * side[1]
            near = np.concatenate([here[None], np.cos(step) * here + np.sin(step) * ways])
            best = near[np.argmax(self.intensity(near))]
            step = step if np.any(best != here) else step / 2
            here = best
        return here

    def scan(self, *, step_deg, radius, error=None, rng=None):
        """What the scanner records with an ``error`` {kind: sizes}; equal steps, two chi."""
        step = math.radians(step_deg)
        grid = np.meshgrid(
            np.arange(0, np.pi + step / 2, step),
            np.arange(0, 2 * np.pi - step / 2, step),
            [0.0, np.pi / 2],
            indexing="ij",
        )
        theta, phi, chi = (x.ravel() for x in grid)
        error = error or {}
        out, t, p = unit(theta, phi)
        if "not square" in error:
            # The theta axis leans by so much about the x axis that turns with phi.
            lean = rng.normal() * error["not square"]
            axis = np.stack([np.cos(phi), np.sin(phi), 0 * phi], -1)
            out, t, p = (
                v * np.cos(lean)
                + np.cross(axis, v) * np.sin(lean)
                + axis * np.sum(axis * v, -1, keepdims=True) * (1 - np.cos(lean))
                for v in (out, t, p)
            )
        along = np.cos(chi)[:, None] * t + np.sin(chi)[:, None] * p
        w = np.sum(self.near(radius * out) * along, -1)
        if "imbalance" in error:
            amplitude, phase = error["imbalance"] * rng.normal(size=2)
            w = np.where(chi > 1, w * (1 + amplitude) * np.exp(1j * phase), w)
        if "noise" in error:
            size = error["noise"] * np.abs(w).max() / math.sqrt(2)
            w = w + size * (rng.normal(size=w.size) + 1j * rng.normal(size=w.size))
        return Samples([FREQUENCY], theta, phi, chi, radius, 1, w[None], "V/m")


def tangent(plane, direction):
    """Of the cut through ``direction`` in a plane (phi, turn): level with phi, turned about it.

    phi^ at that azimuth is the normal of the plane of phi; perpendicular to it and to the direction
    is the cut, which in the plane itself is the great circle through the poles.
    """
    phi, turn = plane
    normal = np.array([-math.sin(phi), math.cos(phi), 0.0])
    along = np.cross(normal, direction)
    along /= np.linalg.norm(along)
    return math.cos(turn) * along + math.sin(turn) * np.cross(direction, along)


def brute_force(array, plane):
    """Half-power beamwidth [rad] and highest sidelobe over the peak, on 0.01 deg."""
    top = array.peak()
    a = np.arange(-18_000, 18_000) * (np.pi / 18_000)
    along = tangent(plane, top)
    u = array.intensity(np.cos(a)[:, None] * top + np.sin(a)[:, None] * along)
    u = u / array.intensity(top)
    middle = a.size // 2
    edges = []
    for way in (1, -1):
        line = u[middle::way]
        i = int(np.argmax(line < 0.5))
        edges.append(i - 1 + (line[i - 1] - 0.5) / (line[i - 1] - line[i]))
    width = sum(edges) * (np.pi / 18_000)
    maxima = np.flatnonzero((u > np.roll(u, 1)) & (u >= np.roll(u, -1)))
    maxima = maxima[np.abs(a[maxima]) > 0.5 * width]
    return width, float(u[maxima].max())
