"""Holds the ringing of interpolation kernels around strong cores, without touching noise."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE
from coldframe_steps.kernels.gathers import square
from coldframe_steps.kernels.simd import f32, lanes_of, store

OVERSHOOT = np.float32(0.5)


@njit(**BARE)
def limit_above(value, least, most):  # type: ignore[no-untyped-def]
    """The most that a value may be, above the range least..most of its 4 x 4 neighbours.

    Half the range more is allowed: the true top of a star lies well above its brightest pixel,
    while a bright second ring has only quiet neighbours.
    """
    return min(value, most + OVERSHOOT * (most - least))


@njit(**BARE)
def limit_below(value, least, near):  # type: ignore[no-untyped-def]
    """The same for a value below the least of its neighbours, where a kernel digs dark rings.

    Allowed is as much as lies between the least neighbour and the lower quartile: in plain noise
    that is about one sigma more than the least of 16 values, so that noise is hardly ever touched,
    and beside a core it is no more, for the core is not among the lowest quarter. Chosen by
    simulation: stars of 2 and more pixels FWHM keep their flux to 0.2% and mean and spread of
    noise stay within 1e-4 sigma.

    near : float32, the usable neighbours; their order may change.
    """
    count = near.size
    # Whether the quartile is low enough to matter is told by counting: noise sends many values
    # here, and hardly any of them needs the sorting.
    below = 0
    for k in range(count):
        below += near[k] < least + (least - value)
    if below <= count // 4:
        return value
    for k in range(1, count):
        moved = near[k]
        j = k
        while j > 0 and near[j - 1] > moved:
            near[j] = near[j - 1]
            j -= 1
        near[j] = moved
    return max(value, least - (near[count // 4] - least))


@njit(**BARE)
def limit_at(source, start, width, value, near):  # type: ignore[no-untyped-def]
    """Both limits for a pixel whose first tap is source[start] and whose taps are all usable.

    source : float32, flat, rows of `width`. near : float32 (16,), room.
    """
    inner = square(source, start + width + 1, width)
    too_much = lanes_of(inner >= f32(value)) == 0
    if not too_much and lanes_of(inner <= f32(value)) != 0:
        return value
    store(near, 0, inner)
    least, most = near[0], near[0]
    for k in range(1, 16):
        least, most = min(least, near[k]), max(most, near[k])
    return limit_above(value, least, most) if too_much else limit_below(value, least, near)


def indifference(plane: Array, flags: Array) -> float:
    """How far (in the frame's unit) a value may be from a neighbour before it is looked at.

    Twice the robust sigma of the differences of adjoining pixels, 1.4826 times their median
    absolute value: ringing that goes no deeper is lost in the noise. 0 where nothing tells.

    plane : float32 (y, x); flags : uint8 (y, x). About 100,000 unflagged pairs are looked at.
    """
    step = max(1, plane.shape[0] * plane.shape[1] // 100_000)
    rows = slice(0, None, step)
    clean = (flags[rows, 1:] | flags[rows, :-1]) == 0
    with np.errstate(invalid="ignore", over="ignore"):  # of pixels that are not looked at
        differences = np.abs(plane[rows, 1:] - plane[rows, :-1])[clean]
    differences = differences[np.isfinite(differences)]
    return float(2.0 * 1.4826 * np.median(differences)) if differences.size else 0.0
