"""Where a frame without usable stars lies on another, from its nebula: cross-correlation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from coldframe.frame import UNUSABLE, Array, Frame

LONGEST = 1024  # cells along the longer side
FINE, COARSE = 2.5, 0.08  # the band that is compared: cells, and share of the shorter side
STEPS = 50  # to a cell: how finely the peak is searched
EXPLAINED = 0.8  # of the structure's variance that the reference must account for
ALIKE = 2.0  # factor that brightness may differ by
TELLING = 3.0  # the structure's variance in units of the noise's
PINNED = 0.5  # px; what moves by less may be the sensor's own pattern
SURE = 1.0  # px, largest difference between the two halves' answers


class NotSure(Exception):  # noqa: N818 - an outcome, not a fault
    """The pictures do not prove a shift; the message says why, in words for people."""


@dataclass(frozen=True, slots=True)
class Placed:
    """own (x, y) = reference (x, y) + (shift_x, shift_y), or that turned by 180 deg in the frame.

    shift_x, shift_y : px, of the own frame after it was turned. error : px, along one axis, from
    two halves of the pixels. brightness : of the structure, own / reference. matrix : reference to
    own, float64 (3, 3).
    """

    shift_x: float
    shift_y: float
    turned: bool
    error: float
    brightness: float
    matrix: Array


def picture(frame: Frame) -> tuple[Array, int]:
    """A frame in small, made twice of different pixels, so that their noise is independent.

    Returns float64 (2, h, w), means over cells of every other pixel (of every other 2 x 2 of a
    mosaic, so that each holds all colours), and the width of a cell, px. Unusable pixels are left
    out; an empty cell holds the frame's median.
    """
    plane = frame.data if frame.data.ndim == 2 else frame.data.mean(axis=0, dtype=np.float32)
    good = (frame.flags & np.uint8(UNUSABLE)) == 0
    unit = 2 if frame.info.cfa and frame.data.ndim == 2 else 1
    units = max(2, 2 * math.ceil(max(plane.shape) / unit / LONGEST / 2))
    cell = unit * units
    rows, columns = (size // cell for size in plane.shape)
    y, x = (np.arange(n * cell) // unit for n in (rows, columns))
    odd = ((y[:, None] + x[None]) & 1).astype(bool)
    value = plane[: rows * cell, : columns * cell].astype(np.float64)
    use = good[: rows * cell, : columns * cell]
    value -= np.median(value[use]) if use.any() else 0.0
    shape = (rows, cell, columns, cell)
    halves = []
    for part in (odd, ~odd):
        weight = (use & part).reshape(shape).sum(axis=(1, 3))
        total = np.where(use & part, value, 0.0).reshape(shape).sum(axis=(1, 3))
        halves.append(total / np.maximum(weight, 1))
    return np.stack(halves), cell


def tells(halves: Array) -> bool:
    """Whether a picture's structure stands above its noise enough to be compared."""
    power, noise = _power([_band(half) for half in halves])
    return power > TELLING * noise


def place(own: Array, ref: Array, cell: int) -> Placed:
    """Find the shift between two pictures (`picture`), upright or turned by 180 deg.

    Structure between one cell and 8% of the frame is compared: the sky's slope and leftover
    vignetting are coarser, noise is mostly finer. The cross-correlation's peak (by Fourier
    transforms; for the method of phases: Kuglin & Hines 1975, Proc. IEEE Int. Conf. Cybernetics
    and Society, 163) is refined to 1/50 cell by a matrix-multiply Fourier transform around it
    (Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33, 156), on the part that both show.
    Nothing is whitened: a nebula's fine scales are noise.

    Then it must prove itself: the halves of the pixels, whose noise is independent, must agree;
    the structure must stand above the noise, and the reference, moved and scaled, must account
    for 80% of it. A turned, cloudy or other field fails there.

    own, ref : float64 (2, h, w). Raises NotSure, in words.
    """
    if own.shape != ref.shape:
        raise NotSure("its size is not the reference's")
    band = [[_band(half) for half in one] for one in (own, ref)]
    best, score = (False, (0, 0)), -math.inf
    for turned in (False, True):
        mine = _turned(band[0][0] + band[0][1], turned)
        surface = _correlation(mine, band[1][0] + band[1][1])
        at = np.unravel_index(int(np.argmax(surface)), surface.shape)
        if surface[at] > score:
            score = float(surface[at])
            dy, dx = (
                int(a) - n if a > n // 2 else int(a) for a, n in zip(at, mine.shape, strict=True)
            )
            best = turned, (dy, dx)
    turned, whole = best
    if min(n - abs(d) for n, d in zip(own.shape[1:], whole, strict=True)) < min(own.shape[1:]) / 2:
        raise NotSure("less than half of the field is in both frames")
    moves, cuts = [], []
    for half in (0, 1):
        mine, theirs = _common(_turned(band[0][half], turned), band[1][half], whole)
        fine = _refine(mine, theirs)
        moves.append((whole[0] + fine[0], whole[1] + fine[1]))
        cuts.append((mine, ndimage.shift(theirs, fine, order=3, mode="nearest")))
    brightness = _proved(cuts)
    apart = [cell * abs(a - b) for a, b in zip(*moves, strict=True)]
    if max(apart) > max(SURE, 0.25 * cell):
        raise NotSure(f"halves of its pixels tell shifts that differ by {max(apart):.1f} px")
    shift_y, shift_x = (cell * (a + b) / 2.0 for a, b in zip(*moves, strict=True))
    if not turned and max(abs(shift_x), abs(shift_y)) < PINNED:
        raise NotSure(
            "its structure has not moved at all, as the sensor's own pattern does; "
            "a dithered field would tell"
        )
    height, width = (n * cell for n in own.shape[1:])
    sign = -1.0 if turned else 1.0
    start = (width - 1 - shift_x, height - 1 - shift_y) if turned else (shift_x, shift_y)
    matrix = np.array([[sign, 0.0, start[0]], [0.0, sign, start[1]], [0.0, 0.0, 1.0]])
    error = math.hypot(*apart) / (2.0 * math.sqrt(2.0))
    return Placed(shift_x, shift_y, turned, error, brightness, matrix)


def _band(image: Array) -> Array:
    """Structure between FINE cells and COARSE of the shorter side; single bright cells cut off."""
    plain = ndimage.median_filter(image, 3, mode="nearest")
    wide = COARSE * min(image.shape)
    out: Array = ndimage.gaussian_filter(plain, FINE, mode="reflect")
    return np.asarray(out - ndimage.gaussian_filter(plain, wide, mode="reflect"))


def _turned(image: Array, turned: bool) -> Array:
    return image[::-1, ::-1] if turned else image


def _correlation(own: Array, ref: Array) -> Array:
    """Circular cross-correlation; its peak is at the shift of own against ref."""
    window = np.outer(*(np.hanning(n + 2)[1:-1] for n in own.shape))
    power = fft.rfft2(own * window) * np.conj(fft.rfft2(ref * window))
    return np.asarray(fft.irfft2(power, s=own.shape))


def _common(own: Array, ref: Array, shift: tuple[int, int]) -> tuple[Array, Array]:
    """The part that both show, after own was moved back by whole cells."""
    (dy, dx), (h, w) = shift, own.shape
    rows, columns = slice(max(dy, 0), h + min(dy, 0)), slice(max(dx, 0), w + min(dx, 0))
    back = slice(max(-dy, 0), h + min(-dy, 0)), slice(max(-dx, 0), w + min(-dx, 0))
    return own[rows, columns], ref[back]


def _refine(own: Array, ref: Array) -> tuple[float, float]:
    """The shift (y, x) of two pictures that differ by about a cell at most, to 1 / STEPS cell."""
    window = np.outer(*(np.hanning(n + 2)[1:-1] for n in own.shape))
    cross = fft.fft2(own * window) * np.conj(fft.fft2(ref * window))
    steps = np.arange(-2 * STEPS, 2 * STEPS + 1) / STEPS
    rows, columns = (np.exp(2j * np.pi * np.outer(steps, fft.fftfreq(n))) for n in own.shape)
    peak = (rows @ cross @ columns.T).real
    y, x = np.unravel_index(int(np.argmax(peak)), peak.shape)
    return float(steps[y]), float(steps[x])


def _power(halves: list[Array]) -> tuple[float, float]:
    """Variance of the structure that both halves share, and of the noise of their mean."""
    one, two = (half - half.mean() for half in halves)
    return float((one * two).mean()), float(((one - two) ** 2).mean()) / 4.0


def _proved(cuts: list[tuple[Array, Array]]) -> float:
    """Brightness of the structure over the reference's. Raises NotSure when it is another."""
    edge = tuple(slice(n // 20 + 1, n - n // 20 - 1) for n in cuts[0][0].shape)
    own, ref = ([cut[k][edge] for cut in cuts] for k in (0, 1))
    own, ref = ([half - half.mean() for half in halves] for halves in (own, ref))
    power, noise = _power(own)
    # Products of different halves hold no noise.
    shared = float((own[0] * ref[1] + own[1] * ref[0]).mean()) / 2.0
    reference = float((ref[0] * ref[1]).mean())
    if not (power > TELLING * noise and reference > 0.0):
        raise NotSure(
            f"its structure stands {math.sqrt(max(power, 0.0) / max(noise, 1e-30)):.1f} times "
            f"above the noise, {math.sqrt(TELLING):.1f} needed"
        )
    explained = shared * abs(shared) / (power * reference)
    if explained < EXPLAINED:
        raise NotSure(
            f"the reference accounts for {max(explained, 0.0):.0%} of its structure, "
            f"{EXPLAINED:.0%} needed"
        )
    brightness = shared / reference
    if not 1.0 / ALIKE < brightness < ALIKE:
        raise NotSure(f"its structure is {brightness:.2f} times as bright as the reference's")
    return brightness
