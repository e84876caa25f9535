"""A thin plate, free at its edges, on point supports: its shape and the forces when the supports move (Ritz).

The deflection of least bending energy through given heights at the supports,
``U = D/2 ∫ w_xx² + w_yy² + 2ν w_xx w_yy + 2 (1 - ν) w_xy²`` (S. Timoshenko and S. Woinowsky-Krieger, *Theory of Plates
and Shells*), is sought among polynomials on the plate's rectangle; free edges are natural to it. It is of the form
``affine + Σ forceᵢ · G(·, supportᵢ)`` with forces in equilibrium, as a thin-plate spline is, but with the influence
function G of this plate instead of that of an endless one. Along each side, the basis is 1, ξ and Legendre polynomials
integrated twice, whose curvatures are orthonormal: that keeps the equations well conditioned at :data:`DEGREE`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from msgspec import Struct
from numpy.polynomial import legendre

from ..model.contract import Floats

DEGREE = 22
"""Degree along each side. A point force bends the plate as r² log r, so errors fall as about the square of it; tests
compare them with finite elements, and :class:`.many_screw.ManyScrew` states them."""


def along_one_side() -> list[Floats]:
    """Return Legendre coefficients of the basis and of its first and second derivative, each (DEGREE + 1, size)."""
    coefficients = np.zeros((DEGREE + 1, DEGREE + 1))
    coefficients[0, 0] = coefficients[1, 1] = 1.0
    for size in range(2, DEGREE + 1):
        curvature = np.zeros(size - 1)
        curvature[-1] = np.sqrt((2 * size - 3) / 2.0)
        coefficients[: size + 1, size] = legendre.legint(curvature, 2, lbnd=-1)
    return [coefficients, *(np.asarray(legendre.legder(coefficients, order), dtype=np.float64) for order in (1, 2))]


BASIS = along_one_side()


def values(at: Floats, derivative: int) -> Floats:
    """Return the basis along one side, or its derivative, at places from -1 to 1, shape (n, DEGREE + 1)."""
    found: Floats = legendre.legvander(at, DEGREE - derivative) @ BASIS[derivative]
    return found


class FreePlate(Struct, frozen=True):
    """A plate on n supports, for unit bending stiffness D.

    ``middle`` and ``half`` (2,) are its rectangle. ``shapes`` (basis, n) are the coefficients of its deflection for
    unit travel of each support, ``forces`` (n, n) what each support (row) then pushes up with.
    """

    middle: Floats
    half: Floats
    shapes: Floats
    forces: Floats

    def derivatives(self, points: Floats, along: int, across: int) -> Floats:
        """Return a partial derivative of the deflection at points on the plate (k, 2), shape (k, n)."""
        at = (points - self.middle) / self.half
        first, second = values(at[:, 0], along), values(at[:, 1], across)
        products = (first[:, :, None] * second[:, None, :]).reshape(len(points), len(self.shapes))
        scale = float(self.half[0] ** -along * self.half[1] ** -across)
        found: Floats = scale * (products @ self.shapes)
        return found

    def heights(self, points: Floats) -> Floats:
        """Return the deflection at points (k, 2), shape (k, n); beyond the rectangle it goes on straight."""
        inside = np.clip(points, self.middle - self.half, self.middle + self.half)
        beyond = points - inside
        found = self.derivatives(inside, 0, 0)
        if beyond.any():
            found += beyond[:, :1] * self.derivatives(inside, 1, 0) + beyond[:, 1:] * self.derivatives(inside, 0, 1)
        return found


@lru_cache(maxsize=64)
def free_plate(
    rectangle: tuple[tuple[float, float], tuple[float, float]], supports: tuple[tuple[float, float], ...], ratio: float
) -> FreePlate:
    """Return the plate on a rectangle, [low, high] along x and y, with Poisson's ratio, on three supports or more.

    The supports lie in the rectangle, apart from each other and not in one line.
    """
    (left, right), (front, rear) = rectangle
    middle, half = np.array([left + right, front + rear]) / 2.0, np.array([right - left, rear - front]) / 2.0
    at, weights = legendre.leggauss(DEGREE + 1)
    flat, slope, bent = (values(at, derivative) for derivative in range(3))
    mass, slopes, bends, cross = (
        (one * weights[:, None]).T @ other for one, other in ((flat, flat), (slope, slope), (bent, bent), (bent, flat))
    )
    long = float(half[0] / half[1])
    # energy in units of D / (half x · half y), with x and y from -1 to 1
    stiffness = np.kron(bends, mass) / long**2 + np.kron(mass, bends) * long**2
    stiffness += ratio * (np.kron(cross, cross.T) + np.kron(cross.T, cross))
    stiffness += 2.0 * (1.0 - ratio) * np.kron(slopes, slopes)
    places = (np.array(supports) - middle) / half
    products = values(places[:, 0], 0)[:, :, None] * values(places[:, 1], 0)[:, None, :]
    there = products.reshape(len(places), -1)
    affine = [0, 1, DEGREE + 1]
    bending = np.setdiff1d(np.arange(len(stiffness)), affine)
    sizes = np.sqrt(np.diag(stiffness)[bending])
    lower = np.linalg.cholesky(stiffness[np.ix_(bending, bending)] / np.outer(sizes, sizes))
    # the bending of least energy is the vector of least length that gives the heights once a plane is taken off them
    reach = np.linalg.solve(lower, (there[:, bending] / sizes).T)
    whole, planes = np.linalg.qr(there[:, affine], mode="complete")
    off_plane = whole[:, 3:]
    basis, corner = np.linalg.qr(reach @ off_plane)
    asked = np.linalg.solve(corner.T, off_plane.T)
    least = basis @ asked
    shapes = np.zeros((len(stiffness), len(places)))
    shapes[bending] = np.linalg.solve(lower.T, least) / sizes[:, None]
    shapes[affine] = np.linalg.solve(planes[:3], whole[:, :3].T @ (np.eye(len(places)) - reach.T @ least))
    forces: Floats = off_plane @ np.linalg.solve(corner, asked) / (half[0] * half[1])
    return FreePlate(middle, half, shapes, forces)
