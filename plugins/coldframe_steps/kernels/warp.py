"""Sub-pixel resampling of a frame through a map, with its flags."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coldframe.frame import Array
from coldframe_steps.kernels.footprint import mark_footprints
from coldframe_steps.kernels.interpolation import REACH, coefficients
from coldframe_steps.kernels.mapping import (
    dense_poly,
    exponents,
    map_points,
    monomials,
    order_of,
    row_span,
    term_count,
)
from coldframe_steps.kernels.resample import Room, pick_nearest, resample
from coldframe_steps.kernels.ringing import indifference

__all__ = [
    "METHODS",
    "exponents",
    "input_rows",
    "map_points",
    "monomials",
    "order_of",
    "term_count",
    "warp",
    "warp_rows",
]

METHODS = ("nearest", *REACH)

Pair = tuple[NDArray[np.float32], NDArray[np.uint8]]


def warp(
    data: Array,
    flags: Array,
    matrix: Array,
    poly: Array,
    norm: Array,
    shape: tuple[int, int],
    method: str,
    limit_ringing: bool,
) -> Pair:
    """Resample a frame: the pixel (x, y) of the output is taken from (u, v) of the input.

    Parameters
    ----------
    data : float32 (y, x) or (3, y, x), any unit; must be finite where it is not flagged bad.
    flags : uint8 (y, x), bits of `Flag`.
    matrix, poly, norm : the map from output to input positions, as for `map_points`.
    shape : (y, x) of the output.
    method : "nearest", "bilinear", "bicubic" or "lanczos3", see `interpolation.weights`.
    limit_ringing : hold the ringing of bicubic and Lanczos kernels around strong cores; see Notes.

    Returns
    -------
    data : float32, (y, x) or (3, y, x) as given. flags : uint8 (y, x).

    Raises
    ------
    ValueError : for arguments of the wrong shape or an unknown method.

    Notes
    -----
    Brightness of the surface is kept, not flux: a map that enlarges by s multiplies the summed
    light of a star by s squared. For frames of one optical train s is 1 to a few parts in 10^4.

    Flags. Everything beyond the edge counts as pixels without data. Taps on such pixels, on
    transients and on unrepaired hot or cold pixels are left out and the weights of the others
    scaled up to sum to 1, while the lost share of the sum of |weight| is at most a tenth; beyond
    that the pixel has value 0 and NO_DATA (and TRANSIENT, when that is among what was lost).
    SATURATED and CLIPPED come from each of the four surrounding pixels that has weight; HOT, COLD
    and REPAIRED (of repaired pixels) from the nearest. "nearest" copies value and flags as one.

    Clamp. With a saturated or unusable pixel under the taps the value is always looked at, and
    with a saturated one it stays within the four surrounding pixels, so that a clipped core keeps
    its level and gets no rings. Elsewhere a value is looked at when it is farther from the pixel
    above and left of it than `ringing.indifference` says, which is lost in the noise; it may then
    leave the range of the surrounding 4 x 4 pixels only as far as `ringing.limit_above` and
    `limit_below` say: enough to leave noise and the photometry of stars of at least 2 pixels FWHM
    alone.

    Cost: with Lanczos 3 and the limit 12 to 16 ns a pixel for one colour and 27 to 33 ns for three,
    on one core of a busy server with AVX-512, the most for a map that turns by some 30 degrees.
    """
    return warp_rows(data, flags, matrix, poly, norm, shape, method, limit_ringing, 0, shape[0])


def warp_rows(
    data: Array,
    flags: Array,
    matrix: Array,
    poly: Array,
    norm: Array,
    shape: tuple[int, int],
    method: str,
    limit_ringing: bool,
    y0: int,
    y1: int,
) -> Pair:
    """Rows y0..y1-1 of what `warp` would give, to the last bit."""
    if method not in METHODS:
        raise ValueError(f"no method is called '{method}'; there are {', '.join(METHODS)}")
    if data.ndim not in (2, 3) or data.shape[-2:] != flags.shape:
        raise ValueError(f"data {data.shape} and flags {flags.shape} differ in shape")
    if flags.size >= 2**31:
        raise ValueError(f"a frame of {flags.shape} pixels is larger than can be resampled")
    if not 0 <= y0 <= y1 <= shape[0]:
        raise ValueError(f"rows {y0}..{y1} are not within 0..{shape[0]}")
    planes = np.ascontiguousarray(data if data.ndim == 3 else data[np.newaxis], dtype=np.float32)
    flags = np.ascontiguousarray(flags, dtype=np.uint8)
    matrix, dense, norm = _checked(matrix, poly, norm)
    out = np.empty((len(planes), y1 - y0, shape[1]), np.float32)
    out_flags = np.empty(out.shape[1:], np.uint8)
    if method == "nearest":
        pick_nearest(planes, flags, matrix, dense, norm, y0, out, out_flags)
    else:
        low, high = 0, flags.shape[0]
        if (y0, y1) != (0, shape[0]):
            low, high = input_rows(matrix, poly, norm, shape, high, y0, y1)
        marks = mark_footprints(flags[low:high])
        coef = coefficients(method)
        flat = planes.reshape(-1)
        near = np.array(
            [indifference(p, flags) if limit_ringing else np.inf for p in planes], np.float32
        )
        resample(
            planes,
            flat,
            flags,
            marks,
            low * flags.shape[1],
            matrix,
            dense,
            norm,
            coef,
            limit_ringing,
            near,
            y0,
            Room.empty(),
            out,
            out_flags,
        )
    return (out if data.ndim == 3 else out[0]), out_flags


def input_rows(
    matrix: Array,
    poly: Array,
    norm: Array,
    shape: tuple[int, int],
    height: int,
    y0: int,
    y1: int,
) -> tuple[int, int]:
    """First and past-the-last input row that the output rows y0..y1-1 need, by any method.

    height : rows of the input. The span is empty (low == high) when they lie outside it.
    """
    matrix, dense, norm = _checked(matrix, poly, norm)
    least, most = row_span(matrix, dense, norm, shape[1], y0, y1)
    if not (least < height and most >= -1.0):
        return 0, 0
    low = int(np.floor(max(least, 0.0))) - 2
    high = int(np.floor(min(most, height - 1.0))) + 4
    return max(low, 0), min(high, height)


def _checked(
    matrix: Array, poly: Array, norm: Array
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    matrix = np.ascontiguousarray(matrix, dtype=np.float64)
    norm = np.ascontiguousarray(norm, dtype=np.float64)
    if matrix.shape != (3, 3) or norm.shape != (3,):
        raise ValueError(f"matrix {matrix.shape} must be (3, 3) and norm {norm.shape} (3,)")
    return matrix, dense_poly(poly), norm
