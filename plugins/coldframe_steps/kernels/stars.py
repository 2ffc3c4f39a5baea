"""Pixel loops of star detection: a smooth luminance from any frame, and Gaussian-weighted moments."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Flag
from coldframe.loops import BARE, ENTRY

SMOOTHING_VARIANCE = 0.5
"""px^2 that the binomial filter of `smooth_row` adds to a profile along each axis."""

SKIP = int(Flag.NO_DATA | Flag.TRANSIENT)
BAD = int(Flag.HOT | Flag.COLD)
REPAIRED = int(Flag.REPAIRED)


@njit(**BARE)
def unusable(bits: int) -> bool:
    """Whether a pixel with these flags says nothing about a star."""
    return (bits & SKIP) != 0 or ((bits & BAD) != 0 and (bits & REPAIRED) == 0)


@njit(**BARE)
def fill_row(image, flags, step, y):  # type: ignore[no-untyped-def]
    """Replace a row's unusable pixels in place by the mean of usable neighbours of the same colour.

    image : float32 (y, x), sky already subtracted; flags : uint8 (y, x).
    step : px to the next pixel of the same colour: 2 on a CFA mosaic, else 1.
    Where no neighbour is usable the pixel becomes 0, which is the sky.
    """
    height, width = image.shape
    for x in range(width):
        if not unusable(flags[y, x]) and math.isfinite(image[y, x]):
            continue
        total, count = 0.0, 0
        for dy in (-step, 0, step):
            for dx in (-step, 0, step):
                v, u = y + dy, x + dx
                if v < 0 or u < 0 or v >= height or u >= width:
                    continue
                if not unusable(flags[v, u]) and math.isfinite(image[v, u]):
                    total += image[v, u]
                    count += 1
        image[y, x] = np.float32(total / count) if count else np.float32(0.0)


@njit(**BARE)
def smooth_row(image, y, room, out):  # type: ignore[no-untyped-def]
    """One row of the binomial filter (1, 2, 1) x (1, 2, 1) / 16; the border repeats.

    On a CFA mosaic this weighs red, green and blue 1 : 2 : 1 around every pixel, whatever its
    colour, so the result is a luminance at full resolution without a shift between phases: its
    response is zero, to second order, at the frequencies on which the mosaic carries colour
    (Alleysson, Susstrunk & Herault 2005, IEEE Trans. Image Process. 14, 439).

    image : float32 (y, x). room, out : float32 (x,).
    """
    height, width = image.shape
    above, here, below = image[max(y - 1, 0)], image[y], image[min(y + 1, height - 1)]
    for x in range(width):
        room[x] = above[x] + np.float32(2.0) * here[x] + below[x]
    left, right = room[: width - 2], room[2:]
    for x in range(width - 2):
        out[x + 1] = (left[x] + np.float32(2.0) * room[x + 1] + right[x]) * np.float32(0.0625)
    for x in (0, width - 1):
        beside = room[max(x - 1, 0)] + room[min(x + 1, width - 1)]
        out[x] = (beside + np.float32(2.0) * room[x]) * np.float32(0.0625)


@njit(**BARE)
def _weighted(image, x0, y0, mxx, mxy, myy):  # type: ignore[no-untyped-def]
    """Sums of image x Gaussian weight: flux, then first and second moments about (x0, y0)."""
    height, width = image.shape
    det = mxx * myy - mxy * mxy
    ixx, ixy, iyy = myy / det, -mxy / det, mxx / det
    rx, ry = math.ceil(3.5 * math.sqrt(mxx)), math.ceil(3.5 * math.sqrt(myy))
    cx, cy = math.floor(x0 + 0.5), math.floor(y0 + 0.5)
    s, sx, sy, sxx, sxy, syy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for y in range(max(cy - ry, 0), min(cy + ry, height - 1) + 1):
        dy = y - y0
        for x in range(max(cx - rx, 0), min(cx + rx, width - 1) + 1):
            dx = x - x0
            q = ixx * dx * dx + 2.0 * ixy * dx * dy + iyy * dy * dy
            if q > 12.25:
                continue
            w = image[y, x] * math.exp(-0.5 * q)
            s += w
            sx += w * dx
            sy += w * dy
            sxx += w * dx * dx
            sxy += w * dx * dy
            syy += w * dy * dy
    return s, sx, sy, sxx, sxy, syy


@njit(**ENTRY)
def adaptive_moments(image, positions, start, largest, fixed, out):  # type: ignore[no-untyped-def]
    """Centre, size and flux of stars by matching an elliptical Gaussian weight to each.

    The weight's centre and covariance are iterated until they equal those of the object under the
    weight: exact for a Gaussian, and the least-squares fit of one for any other profile
    (Bernstein & Jarvis 2002, AJ 123, 583; Hirata & Seljak 2003, MNRAS 343, 459).

    Parameters
    ----------
    image : float32 (y, x), sky subtracted.
    positions : float64 (n, 2), first guesses x, y in px.
    start : px^2, first guess of the variance along each axis.
    largest : px^2, greatest variance allowed along any axis.
    fixed : when true the weight stays a circle of variance `start`; only the centre is iterated.
    out : float64 (n, 7), filled with x, y, flux, variance xx, xy, yy (px^2, as in `image`) and
        1 when it converged, else 0.
    """
    for i in range(positions.shape[0]):
        x0, y0 = positions[i, 0], positions[i, 1]
        mxx, mxy, myy = start, 0.0, start
        flux, good = 0.0, False
        for _ in range(60):
            s, sx, sy, sxx, sxy, syy = _weighted(image, x0, y0, mxx, mxy, myy)
            if not s > 0.0:
                break
            flux = 2.0 * s
            # Under a matched weight the centre of a Gaussian moves by half its true error.
            dx, dy = 2.0 * sx / s, 2.0 * sy / s
            length = math.sqrt(dx * dx + dy * dy)
            if length > 1.0:
                dx, dy = dx / length, dy / length
            x0 += dx
            y0 += dy
            if abs(x0 - positions[i, 0]) + abs(y0 - positions[i, 1]) > 2.0 * math.sqrt(start):
                break
            change = 0.0
            if not fixed:
                cxx, cxy, cyy = sxx / s, sxy / s, syy / s
                cdet, mdet = cxx * cyy - cxy * cxy, mxx * myy - mxy * mxy
                if not (cdet > 0.0 and cxx > 0.0):
                    break
                # The product of object and weight has inverse covariance O^-1 + M^-1.
                axx, axy, ayy = cyy / cdet - myy / mdet, mxy / mdet - cxy / cdet, 0.0
                ayy = cxx / cdet - mxx / mdet
                adet = axx * ayy - axy * axy
                if not (adet > 0.0 and axx > 0.0):
                    break
                nxx, nxy, nyy = ayy / adet, -axy / adet, axx / adet
                mean, half = 0.5 * (nxx + nyy), math.hypot(0.5 * (nxx - nyy), nxy)
                if mean + half > largest or mean - half < 0.3:
                    break
                change = abs(nxx - mxx) + abs(nxy - mxy) + abs(nyy - myy)
                mxx, mxy, myy = nxx, nxy, nyy
            if length < 1e-3 and change < 1e-3 * (mxx + myy):
                good = True
                break
        out[i, 0], out[i, 1], out[i, 2] = x0, y0, flux
        out[i, 3], out[i, 4], out[i, 5] = mxx, mxy, myy
        out[i, 6] = 1.0 if good else 0.0


@njit(cache=True, nogil=True)
def colour_centres(image, colours, shape, out):  # type: ignore[no-untyped-def]
    """Centre stars on a CFA mosaic by least squares, each colour with its own brightness.

    A strongly coloured star lights only some positions of the mosaic, which biases a luminance
    centre when the star is hardly wider than those are apart. Here a Gaussian of known shape is
    fitted to the mosaic itself; the three amplitudes are solved for at every step, and only the
    centre is iterated (variable projection: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10, 413).

    Parameters
    ----------
    image : float32 (y, x), each colour less its own sky, unusable pixels filled in.
    colours : int64 (2, 2), 0, 1 or 2 at each position of the mosaic's top left corner.
    shape : float64 (3,), variance xx, xy, yy of a typical star in px^2.
    out : float64 (n, 2), first guesses x, y in px; replaced where the fit converges.
    """
    height, width = image.shape
    sums = np.empty((3, 9))
    mxx, mxy, myy = shape[0], shape[1], shape[2]
    det = mxx * myy - mxy * mxy
    ixx, ixy, iyy = myy / det, -mxy / det, mxx / det
    rx = math.ceil(2.5 * math.sqrt(mxx) + 0.5)
    ry = math.ceil(2.5 * math.sqrt(myy) + 0.5)
    for i in range(out.shape[0]):
        x0, y0 = out[i, 0], out[i, 1]
        for _ in range(20):
            cx, cy = math.floor(x0 + 0.5), math.floor(y0 + 0.5)
            sums[:] = 0.0
            for y in range(max(cy - ry, 0), min(cy + ry, height - 1) + 1):
                dy = y - y0
                for x in range(max(cx - rx, 0), min(cx + rx, width - 1) + 1):
                    dx = x - x0
                    qx, qy = ixx * dx + ixy * dy, ixy * dx + iyy * dy
                    g = math.exp(-0.5 * (qx * dx + qy * dy))
                    gg, gi = g * g, g * image[y, x]
                    row = sums[colours[y & 1, x & 1]]
                    row[0] += gg
                    row[1] += gi
                    row[2] += gg * qx
                    row[3] += gg * qy
                    row[4] += gg * qx * qx
                    row[5] += gg * qx * qy
                    row[6] += gg * qy * qy
                    row[7] += gi * qx
                    row[8] += gi * qy
            nxx, nxy, nyy, bx, by = 0.0, 0.0, 0.0, 0.0, 0.0
            for c in range(3):
                row = sums[c]
                if row[0] < 1e-6:
                    continue
                a = row[1] / row[0]
                nxx += a * a * (row[4] - row[2] * row[2] / row[0])
                nxy += a * a * (row[5] - row[2] * row[3] / row[0])
                nyy += a * a * (row[6] - row[3] * row[3] / row[0])
                bx += a * (row[7] - a * row[2])
                by += a * (row[8] - a * row[3])
            ndet = nxx * nyy - nxy * nxy
            if not ndet > 0.0:
                break
            sx, sy = (nyy * bx - nxy * by) / ndet, (nxx * by - nxy * bx) / ndet
            length = math.hypot(sx, sy)
            if length > 0.5:
                sx, sy = 0.5 * sx / length, 0.5 * sy / length
            x0 += sx
            y0 += sy
            if math.hypot(x0 - out[i, 0], y0 - out[i, 1]) > 1.0:
                break
            if length < 1e-3:
                out[i, 0], out[i, 1] = x0, y0
                break


@njit(**ENTRY)
def inspect(image, flags, positions, radius, saturated, out):  # type: ignore[no-untyped-def]
    """What the unfiltered pixels say about each star.

    Parameters
    ----------
    image : float32 (y, x), sky subtracted and filled, not smoothed; flags : uint8 (y, x).
    positions : float64 (n, 2), x, y in px. radius : px, the core to look at.
    saturated : the flag bit of a saturated pixel.
    out : float64 (n, 4), filled with the peak (ADU), the share of the brightest pixel in the
        3 x 3 around it (about 1 for a hot pixel, below 0.5 for a star), the number of saturated
        pixels and the number of unusable pixels in the core.
    """
    height, width = image.shape
    reach = math.ceil(radius)
    for i in range(positions.shape[0]):
        cx, cy = math.floor(positions[i, 0] + 0.5), math.floor(positions[i, 1] + 0.5)
        peak, px, py = -np.inf, cx, cy
        full, bad = 0, 0
        for y in range(max(cy - reach, 0), min(cy + reach, height - 1) + 1):
            for x in range(max(cx - reach, 0), min(cx + reach, width - 1) + 1):
                near = abs(y - cy) <= 1 and abs(x - cx) <= 1
                if near and image[y, x] > peak:
                    peak, px, py = image[y, x], x, y
                dx, dy = x - positions[i, 0], y - positions[i, 1]
                if dx * dx + dy * dy > radius * radius:
                    continue
                if flags[y, x] & saturated:
                    full += 1
                if unusable(flags[y, x]):
                    bad += 1
        total = 0.0
        for y in range(max(py - 1, 0), min(py + 1, height - 1) + 1):
            for x in range(max(px - 1, 0), min(px + 1, width - 1) + 1):
                total += image[y, x]
        out[i, 0] = peak
        out[i, 1] = peak / total if total > 0.0 else 1.0
        out[i, 2] = full
        out[i, 3] = bad
