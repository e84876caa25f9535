"""Six contacts between balls under the bed and the mounts on its supports: small motion, exact pose, what is left free.

Each ball is fixed to the bed; the flanks of its mount rise with the support. A contact keeps the ball's centre at a
constant distance from its flank, so with the bed turned by R about the balls' middle m and moved by t,
``n · (m + t + R(p − m) − p − a·ẑ) = 0`` for the flank's normal n, the ball's first place p and the support's travel a.
To first order that is ``n · (t + ω × (p − m)) = n · ẑ · a``.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..model.contract import Floats
from ..model.errors import Fault, Refused
from ..model.machine import Mount, Support
from . import sentences

FREEDOMS = 6
HOLDS = {"cone": 3, "vee": 2, "flat": 1}
"""Freedoms that each mount takes from the bed."""

WEAK = 1e-3
"""Smallest over largest singular value (rotations scaled by the mount's radius) below which six contacts are taken not
to hold the bed: a contact off by 1 µm would let the bed slide by about 1 mm. Our own choice."""

UPRIGHT = 0.5
"""Least vertical part of the bed's normal, 60° of tilt; far beyond it no bed stays on its mounts."""

ROUNDS = 50


class Contacts(Struct, frozen=True):
    """Contacts of three mounts: ``normals`` and ``balls`` have shape (6, 3), ``owners`` (6,) indexes the supports.

    ``middle``, shape (3,), is the middle of the three balls and ``radius`` their root-mean-square distance from it.
    """

    normals: Floats
    balls: Floats
    owners: tuple[int, ...]
    middle: Floats
    radius: float

    def rows(self, about: Floats) -> Floats:
        """Return the rows [n, (p − about) × n], shape (6, 6), for unknowns t of the point ``about`` and ω."""
        rows: Floats = np.hstack([self.normals, np.cross(self.balls - about, self.normals)])
        return rows

    def singular(self) -> tuple[Floats, Floats]:
        """Return singular values (6,), largest first, and right vectors (6, 6), with rotations scaled by the radius."""
        scaled = self.rows(self.middle) / np.repeat([1.0, self.radius], 3)
        found = np.linalg.svd(scaled)
        return np.asarray(found.S, dtype=np.float64), np.asarray(found.Vh, dtype=np.float64)

    def solve(self, right: Floats) -> Floats:
        """Return (t, ω) about the middle for right-hand sides of the contacts, shape (6, ...)."""
        return np.asarray(np.linalg.solve(self.rows(self.middle), right), dtype=np.float64)

    def lift(self, n_supports: int) -> Floats:
        """Return n·ẑ in the column of each contact's support, shape (6, n_supports)."""
        result = np.zeros((len(self.normals), n_supports))
        result[np.arange(len(self.normals)), self.owners] = self.normals[:, 2]
        return result

    def pose(self, travels: Floats) -> tuple[Floats, Floats]:
        """Return the exact rotation R, shape (3, 3), and translation t of the middle, shape (3,), by Newton's method.

        Raises:
            Refused: the travels are too large for the bed to follow on its mounts.
        """
        arms = self.balls - self.middle
        goal = self.normals[:, 2] * travels[list(self.owners)]
        turn, shift = np.eye(3), np.zeros(3)
        # rounding keeps the residual from falling below a few units of the largest length there is
        enough = 8 * np.finfo(float).eps * max(self.radius, float(np.abs(travels).max()), float(np.abs(arms).max()))
        best = np.inf
        for _ in range(ROUNDS):
            turned = arms @ turn.T
            off = np.einsum("ij,ij->i", self.normals, turned + shift - arms) - goal
            error = float(np.abs(off).max())
            if error <= enough or (error < 1e3 * enough and error >= best):
                if turn[2, 2] < UPRIGHT:
                    break
                return turn, shift
            best = error
            rows = np.hstack([self.normals, np.cross(turned, self.normals)])
            try:
                step = np.linalg.solve(rows, -off)
            except np.linalg.LinAlgError:
                break
            if not np.all(np.isfinite(step)):
                break
            # no step turns further than half a radian, so that Newton's method stays on this side of the mount
            step /= max(1.0, 2 * float(np.linalg.norm(step[3:])))
            shift = shift + step[:3]
            turn = rotation(step[3:]) @ turn
        raise Refused.at(
            "/machine/supports",
            sentences.TRAVELS_TOO_LARGE,
        )


def rotation(vector: Floats) -> Floats:
    """Return the rotation matrix of a rotation vector in radians, by Rodrigues' formula."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    # np.sinc keeps sin(a)/a and (1 − cos a)/a² = ½(sin(a/2)/(a/2))² exact near zero
    result: Floats = (
        np.eye(3) + np.sinc(angle / np.pi) * cross + 0.5 * np.sinc(angle / (2 * np.pi)) ** 2 * (cross @ cross)
    )
    return result


def contacts_of(supports: list[Support]) -> Contacts:
    """Return the six contacts of three mounts.

    Raises:
        Refused: a mount or a groove's direction is missing, the mounts do not hold six freedoms, or they hold one of
            them so weakly (``WEAK``) that the bed is free in it.
    """
    if len(supports) != 3:
        raise Refused.at("/machine/supports", sentences.kinematic_needs_three_supports(len(supports)))
    mounts = _checked(supports)
    held = sum(HOLDS[mount.kind] for mount in mounts)
    if held != FREEDOMS:
        kinds = ", ".join(mount.kind for mount in mounts)
        wrong = (
            sentences.freedoms_left(FREEDOMS - held)
            if held < FREEDOMS
            else sentences.freedoms_too_many(held - FREEDOMS)
        )
        raise Refused.at(
            "/machine/supports",
            sentences.wrong_mounts(kinds, held, wrong),
        )
    flanks = [_normals(mount) for mount in mounts]
    balls = np.array([(support.x, support.y, support.z) for support in supports])
    middle = balls.mean(axis=0)
    counts = [len(normals) for normals in flanks]
    contacts = Contacts(
        normals=np.vstack(flanks),
        balls=np.repeat(balls, counts, axis=0),
        owners=tuple(int(index) for index in np.repeat(np.arange(3), counts)),
        middle=middle,
        radius=float(np.sqrt(np.mean(np.sum((balls - middle) ** 2, axis=1)))),
    )
    if contacts.radius == 0:
        raise Refused.at("/machine/supports", sentences.SUPPORTS_AT_ONE_PLACE)
    values, right = contacts.singular()
    if values[-1] < WEAK * values[0]:
        raise Refused.at("/machine/supports", sentences.contacts_do_not_hold(_left_free(contacts, right[-1])))
    return contacts


def _checked(supports: list[Support]) -> list[Mount]:
    faults = []
    mounts = []
    for index, support in enumerate(supports):
        pointer = f"/machine/supports/{index}/mount"
        mount = support.mount
        if mount is None:
            faults.append(Fault(pointer, sentences.mount_missing(support.id)))
            continue
        if mount.kind == "vee" and mount.axis is None:
            faults.append(Fault(f"{pointer}/axis", sentences.VEE_NEEDS_AXIS))
        if mount.kind != "vee" and mount.axis is not None:
            faults.append(Fault(f"{pointer}/axis", sentences.has_no_groove(mount.kind)))
        mounts.append(mount)
    if faults:
        raise Refused(faults)
    return mounts


def _normals(mount: Mount) -> Floats:
    """Return the unit normals of a mount's contacts, shape (n_contacts, 3).

    A ball in a cone cannot move at all whatever the cone's angle, which the three axes say as well as any flanks.
    """
    if mount.kind == "cone":
        return np.eye(3)
    if mount.kind == "flat":
        return np.array([[0.0, 0.0, 1.0]])
    groove, half = np.radians(mount.axis or 0.0), np.radians(mount.included_angle / 2)
    across = np.array([-np.sin(groove), np.cos(groove), 0.0])
    up = np.array([0.0, 0.0, np.sin(half)])
    return np.array([across * np.cos(half) + up, -across * np.cos(half) + up])


def _left_free(contacts: Contacts, mode: Floats) -> str:
    """Say in words which motion the weakest direction of the contacts is; ``mode`` has its rotations scaled."""
    slide, turn = mode[:3], mode[3:] / contacts.radius
    reach = float(np.linalg.norm(mode[3:]))
    if reach < 0.05:
        angle = np.degrees(np.arctan2(slide[1], slide[0])) % 180
        return sentences.can_slide(angle)
    # the points of a screw axis: m + ω × t / ω²
    x, y = (contacts.middle + np.cross(turn, slide) / (turn @ turn))[:2]
    if abs(turn[2]) > 0.7 * np.linalg.norm(turn):
        return sentences.can_turn(x, y)
    angle = np.degrees(np.arctan2(turn[1], turn[0])) % 180
    return sentences.can_tilt(angle, x, y)
