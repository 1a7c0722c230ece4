"""A pose set by hand: through marked points, and how well it fits the pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from viewer.align.picture import Picture
from viewer.align.refine import refine, warp_distance
from viewer.align.transform import Pose
from viewer.errors import UsageError


def pose_from_points(clip: Sequence[tuple[float, float]], reference: Sequence[tuple[float, float]]) -> Pose:
    """Return the similarity through pairs of points, mirrored where that fits better.

    Two pairs fix it (not mirrored); from three on the mirror is decided and the residual tells how well they fit.

    Raises
    ------
    UsageError
        With fewer than two pairs, or points that coincide.
    """
    p, q = np.asarray(clip, float), np.asarray(reference, float)
    if p.shape != q.shape or p.ndim != 2 or p.shape[1:] != (2,) or len(p) < 2:
        raise UsageError("a pose needs at least two pairs of points.", hint="Mark the same detail in both clips.")
    zp, zq = p[:, 0] + 1j * p[:, 1], q[:, 0] + 1j * q[:, 1]
    best: tuple[float, Pose] | None = None
    for mirrored in (False, True) if len(p) > 2 else (False,):
        z = -np.conj(zp) if mirrored else zp
        mz, mq = z.mean(), zq.mean()
        power = float((np.abs(z - mz) ** 2).sum())
        if power < 1.0:
            raise UsageError("the marked points coincide.", hint="Mark details far from each other.")
        turn = complex(np.vdot(z - mz, zq - mq)) / power
        if abs(turn) < 1e-6:
            continue
        shift = complex(mq) - turn * complex(mz)
        left = np.abs(zq - turn * z - shift)
        residual = float(np.sqrt((left**2).sum() / max(2 * len(p) - 4, 1))) if len(p) > 2 else 0.0
        pose = Pose(
            scale=abs(turn),
            rotation_deg=math.degrees(math.atan2(turn.imag, turn.real)),
            shift_x=shift.real,
            shift_y=shift.imag,
            mirrored=mirrored,
            pose_by="hand",
            residual_px=residual,
        )
        if best is None or residual < best[0]:
            best = (residual, pose)
    if best is None:
        raise UsageError("no pose fits these points.", hint="Check that the pairs belong together.")
    return best[1]


def pose_residual(reference: Picture, moving: Picture, pose: Pose) -> tuple[float, float] | None:
    """How well a pose set by hand fits: (agreement of the pictures, px by which a step improves it), or None."""
    warp = np.linalg.inv(np.vstack([pose.matrix, [0, 0, 1]]))
    found = refine(reference, moving, warp, factors=(2.0,), steps=1, rough=True)
    if found is None:
        return None
    return found.correlation, warp_distance(found.warp, warp, reference)


__all__ = ["pose_from_points", "pose_residual"]
