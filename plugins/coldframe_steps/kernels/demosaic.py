"""From a colour filter mosaic to three colours at every pixel, with its flags."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from coldframe.frame import Array, Flag
from coldframe.loops import BARE
from coldframe_steps.kernels.footprint import BAD, SATURATED, is_bad
from coldframe_steps.kernels.mosaic import colour_response, red_site

METHODS = ("bilinear", "linear-5x5")

_NEIGHBOURS = np.array([[-1, 0], [1, 0], [0, -1], [0, 1], [-1, -1], [-1, 1], [1, -1], [1, 1]])
"""(y, x) steps: above and below, to the sides, to the corners."""

_CLIPPED_MARK = 32  # besides the marks of `footprint`

_BOUNDS = np.uint8(Flag.SATURATED | Flag.CLIPPED)
_CLIPPED = np.uint8(Flag.CLIPPED)
_SATURATED = np.uint8(Flag.SATURATED)
_NO_DATA = np.uint8(Flag.NO_DATA)
_TRANSIENT = np.uint8(Flag.TRANSIENT)


def demosaic(
    data: Array,
    flags: Array,
    cfa: str,
    method: str,
    response: Sequence[float] | None = None,
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Interpolate the two colours that each pixel of a Bayer mosaic lacks.

    Parameters
    ----------
    data : float32 (y, x), at least 2 x 2, any unit. flags : uint8 (y, x), bits of `Flag`.
    cfa : colours of the top left 2 x 2, row by row: RGGB, GRBG, GBRG or BGGR.
    method : "bilinear", the mean of the two or four nearest pixels of a colour; "linear-5x5", the
        same corrected by the second derivative of the colour that the pixel has.
    response : how strongly the sensor answers to the three colours of grey light, in any unit;
        None to take it from the frame by `colour_response`. See Notes.

    Returns
    -------
    float32 (3, y, x), red, green, blue; uint8 (y, x). A measured value is passed on as it is.

    Raises
    ------
    ValueError : unknown pattern or method, or a frame with a side of one pixel.

    Notes
    -----
    linear-5x5 is sharper and has less false colour, and its result may fall below 0 or rise above
    the brightest pixel beside an edge: these are linear data and nothing is clipped.

    It takes the three colours to rise and fall by the same amount. In linear data they do so in
    the ratio of the sensor's response, so the correction of one colour by another is scaled by
    theirs; without this a star's error in red is five times as large, a dark ring included. Equal
    responses give the published filter. Around a saturated pixel one colour is cut off, so a pixel
    with a saturated one under its 5 x 5 is done bilinearly.

    Beyond the edge the mosaic is mirrored about the middle of the outermost pixels, which keeps
    its pattern.

    Flags. A pixel keeps those of its own site. Sites with no data, a transient or an unrepaired
    defect are left out: the mean is taken of the others of that colour, so that a bad site costs
    no pixel but its own; when none is left the pixel has NO_DATA (and TRANSIENT when that is why)
    and the colour is 0. SATURATED and CLIPPED come from every site in the bilinear means.

    References
    ----------
    Malvar, He and Cutler 2004, Proc. IEEE ICASSP, vol. 3, 485: High-quality linear interpolation
    for demosaicing of Bayer-patterned color images.
    """
    red_y, red_x = red_site(cfa)
    if method not in METHODS:
        raise ValueError(f"no demosaicing is called '{method}'; there are {', '.join(METHODS)}")
    if data.ndim != 2 or data.shape != flags.shape or min(data.shape) < 2:
        raise ValueError(f"cannot demosaic data {data.shape} with flags {flags.shape}")
    data = np.ascontiguousarray(data, dtype=np.float32)
    flags = np.ascontiguousarray(flags, dtype=np.uint8)
    rgb = np.empty((3, *data.shape), np.float32)
    out_flags = np.empty_like(flags)
    linear = method == "linear-5x5"
    if response is None:
        response = colour_response(data, flags, cfa) if linear else (1.0, 1.0, 1.0)
    weight = np.array(response, dtype=np.float32)
    if weight.shape != (3,) or not (weight > 0.0).all():
        raise ValueError(f"the response to three colours cannot be {tuple(response)}")
    _demosaic(data, flags, red_y, red_x, linear, weight, rgb, out_flags)
    return rgb, out_flags


@njit(**BARE)
def _mirror(k, n):  # type: ignore[no-untyped-def]
    """The pixel that stands for pixel k of n when mirrored about the outermost ones."""
    k = abs(k) % (2 * n - 2)
    return k if k < n else 2 * n - 2 - k


@njit(**BARE)
def _load(data, flags, y, row, marks):  # type: ignore[no-untyped-def]
    """Copy a row with two mirrored pixels at each end, mark its sites, tell if any is marked."""
    nx = data.shape[1]
    values, bits, line, noted = data[y], flags[y], row[2:], marks[2:]
    some = np.uint8(0)
    for x in range(nx):
        line[x] = values[x]
        some |= bits[x]
    if some == 0:
        marks[:] = 0
    else:
        some = np.uint8(0)
        for x in range(nx):
            f = bits[x]
            mark = SATURATED if f & _SATURATED else 0
            mark |= _CLIPPED_MARK if f & _CLIPPED else 0
            noted[x] = mark | (BAD if is_bad(f) else 0)
            some |= noted[x]
    for x in (-2, -1, nx, nx + 1):
        row[x + 2] = row[_mirror(x, nx) + 2]
        marks[x + 2] = marks[_mirror(x, nx) + 2]
    return some != 0


@njit(**BARE)
def _bilinear_row(a, b, c, first, near, green, far):  # type: ignore[no-untyped-def]
    """One row from rows a, b, c above, at and below it.

    near, green, far : the row's own filter colour besides green, green, and the third. A site of
    the near colour is at even x when first is 0, at odd x when it is 1. All formulas are worked
    out for every x and one is chosen: this way the loop runs in vector instructions.
    """
    for x in range(near.size):
        i = x + 2
        site = (x + first) & 1 == 0
        side = (b[i - 1] + b[i + 1]) * np.float32(0.5)
        rise = (a[i] + c[i]) * np.float32(0.5)
        cross = (side + rise) * np.float32(0.5)
        corners = ((a[i - 1] + a[i + 1]) + (c[i - 1] + c[i + 1])) * np.float32(0.25)
        near[x] = b[i] if site else side
        green[x] = cross if site else b[i]
        far[x] = corners if site else rise


@njit(**BARE)
def _linear_row(z, a, b, c, d, first, weights, near, green, far):  # type: ignore[no-untyped-def]
    """As `_bilinear_row`, with the rows two above (z) and two below (d) for the correction.

    weights : response to the near colour, to green, to the far colour.
    """
    eighth = np.float32(0.125)
    to_green = eighth * weights[1] / weights[0]
    near_to_far = eighth * weights[2] / weights[0]
    to_near = eighth * weights[0] / weights[1]
    to_far = eighth * weights[2] / weights[1]
    for x in range(near.size):
        i = x + 2
        site = (x + first) & 1 == 0
        p = b[i]
        side, side2 = b[i - 1] + b[i + 1], b[i - 2] + b[i + 2]
        rise, rise2 = a[i] + c[i], z[i] + d[i]
        corners = (a[i - 1] + a[i + 1]) + (c[i - 1] + c[i + 1])
        ring = np.float32(4.0) * p - (side2 + rise2)
        level = np.float32(5.0) * p - corners
        g = np.float32(0.25) * (side + rise) + to_green * ring
        f = np.float32(0.25) * corners + near_to_far * (np.float32(1.5) * ring)
        across = np.float32(0.5) * side + to_near * (level - side2 + np.float32(0.5) * rise2)
        upward = np.float32(0.5) * rise + to_far * (level - rise2 + np.float32(0.5) * side2)
        near[x] = p if site else across
        green[x] = g if site else p
        far[x] = f if site else upward


@njit(**BARE)
def _mean(data, flags, y, x, begin, end):  # type: ignore[no-untyped-def]
    """Mean of the usable ones of the neighbours begin..end-1, and the flags that come with it."""
    ny, nx = data.shape
    total = np.float32(0.0)
    used = 0
    flag = np.uint8(0)
    lost = np.uint8(0)
    for k in range(begin, end):
        yy, xx = abs(y + _NEIGHBOURS[k, 0]), abs(x + _NEIGHBOURS[k, 1])
        yy, xx = yy if yy < ny else ny - 2, xx if xx < nx else nx - 2
        f = flags[yy, xx]
        if is_bad(f):
            lost |= f & _TRANSIENT
        else:
            total += data[yy, xx]
            flag |= f & _BOUNDS
            used += 1
    if used == 0:
        return np.float32(0.0), lost | _NO_DATA
    return total / np.float32(used), flag


@njit(**BARE)
def _mend(data, flags, y, x, site, redo, near, green, far):  # type: ignore[no-untyped-def]
    """Redo bilinearly the pixel (y, x) near a bad or saturated site; returns what it takes over.

    With redo False only the flags are worked out.
    """
    # At a site: the four beside it and the four corners; at green: the two along, the two across.
    begin, middle, end = (0, 4, 8) if site else (2, 0, 2)
    first, flag = _mean(data, flags, y, x, begin, begin + (4 if site else 2))
    second, more = _mean(data, flags, y, x, middle, end)
    if redo:
        if site:
            green[x] = first
        else:
            near[x] = first
        far[x] = second
    return flag | more


@njit(**BARE)
def _around(marks, y, linear, near):  # type: ignore[no-untyped-def]
    """Fill near[x] with the marks of the sites that pixel x of row y is made from."""
    nx = marks.shape[1] - 4
    up, here, down = marks[(y - 1) % 5], marks[y % 5], marks[(y + 1) % 5]
    for x in range(nx):
        mark = here[x + 1] | here[x + 2] | here[x + 3] | up[x + 1] | up[x + 2] | up[x + 3]
        near[x] = mark | down[x + 1] | down[x + 2] | down[x + 3]
    if linear:
        up2, down2 = marks[(y - 2) % 5], marks[(y + 2) % 5]
        for x in range(nx):
            near[x] |= here[x] | here[x + 4] | up2[x + 2] | down2[x + 2]


@njit(cache=True, nogil=True)
def _demosaic(data, flags, red_y, red_x, linear, response, rgb, out_flags):  # type: ignore[no-untyped-def]
    ny, nx = data.shape
    rows, marks = np.empty((5, nx + 4), np.float32), np.empty((5, nx + 4), np.uint8)
    marked = np.zeros(5, np.bool_)
    near = np.zeros(-(-nx // 8) * 8, np.uint8)
    eights = near.view(np.uint64)
    weights = np.empty(3, np.float32)
    for y in range(-2, 2):
        marked[y % 5] = _load(data, flags, _mirror(y, ny), rows[y % 5], marks[y % 5])
    for y in range(ny):
        k = (y + 2) % 5
        marked[k] = _load(data, flags, _mirror(y + 2, ny), rows[k], marks[k])
        z, a, b = rows[(y - 2) % 5], rows[(y - 1) % 5], rows[y % 5]
        c, d = rows[(y + 1) % 5], rows[k]
        red_row = (y + red_y) & 1 == 0
        first = red_x if red_row else 1 - red_x
        near_colour, far = (rgb[0, y], rgb[2, y]) if red_row else (rgb[2, y], rgb[0, y])
        green = rgb[1, y]
        weights[0], weights[1] = response[0 if red_row else 2], response[1]
        weights[2] = response[2 if red_row else 0]
        if linear:
            _linear_row(z, a, b, c, d, first, weights, near_colour, green, far)
        else:
            _bilinear_row(a, b, c, first, near_colour, green, far)
        bits, given = out_flags[y], flags[y]
        for x in range(nx):
            bits[x] = given[x]
        if not marked.any():
            continue
        _around(marks, y, linear, near)
        for group in range(eights.size):
            if eights[group] == 0:
                continue
            for x in range(8 * group, min(8 * group + 8, nx)):
                if near[x]:
                    site = (x + first) & 1 == 0
                    redo = near[x] & (BAD | SATURATED) != 0
                    bits[x] |= _mend(data, flags, y, x, site, redo, near_colour, green, far)
