"""From two star tables to a transform and the numbers about it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array
from coldframe_steps.register.choose import FEW, choose
from coldframe_steps.register.match import Match, match_stars
from coldframe_steps.register.terms import (
    BRIGHT,
    FLAGS,
    FLUX,
    FWHM,
    FWHM_PER_SIGMA,
    SNR,
    StarFlag,
)
from coldframe_steps.register.transform import Transform, fit_affine, geometry

FLOOR = 0.05  # px, error of even the brightest star: pixel response, optics, seeing
DOUBT = 0.3  # px, added for stars that are saturated, blemished or blended
GRID = 17  # points along each side of the frame where a model is checked


@dataclass(frozen=True, slots=True)
class Alignment:
    """How a frame lies on the reference.

    transform : reference pixels to own pixels. measures : residual, matched, rotation, scale,
    shift_y, shift_x and, when unsaturated stars tell it, flux_ratio. mirrored : as it says.
    reason : how sure the match is and how the models compared. instead : see `choose.Chosen`.
    """

    transform: Transform
    measures: Mapping[str, float]
    mirrored: bool
    reason: str
    instead: str = ""

    @property
    def how(self) -> str:
        """One line for a frame's history."""
        told, by = self.measures, self.transform
        stars = f"by {by.matched} stars, {by.model}" if by.matched else f"by {by.model}"
        why = f" ({self.instead})" if self.instead else ""
        return (
            f"{stars}{why}, residual {told['residual']:.3f} px, "
            f"rotation {told['rotation']:.3f} deg, scale {told['scale']:.5f}, "
            f"shift y {told['shift_y']:.2f} px, x {told['shift_x']:.2f} px"
            f"{', mirrored' if self.mirrored else ''}"
        )


def align(
    own: Array,
    ref: Array,
    own_shape: tuple[int, int],
    ref_shape: tuple[int, int],
    model: str,
) -> Alignment:
    """Match and fit.

    Parameters
    ----------
    own, ref : star tables (`stars.TABLE`), brightest first. own_shape, ref_shape : (y, x), px.
    model : as for `choose`.

    Raises NoMatch when the fields are not the same, ValueError when the matched stars cannot fix
    the model; both with a message for people.
    """
    match = match_stars(
        np.ascontiguousarray(own[:, :2]), np.ascontiguousarray(ref[:, :2]), own_shape
    )
    mine, theirs = own[match.pairs[:, 0]], ref[match.pairs[:, 1]]
    scale = geometry(match.transform, _centre(ref_shape)).scale
    variance = star_variance(mine) + scale**2 * star_variance(theirs)
    edges = _edges(match, mine, theirs, own_shape, ref_shape)
    chosen = choose(theirs[:, :2], mine[:, :2], 1.0 / variance, edges, model)
    transform = chosen.transform
    mine, theirs = mine[chosen.kept], theirs[chosen.kept]
    at = geometry(transform, _centre(ref_shape))
    measures = {
        "residual": _residual(transform, mine, theirs),
        "matched": float(len(mine)),
        "rotation": at.rotation,
        "scale": at.scale,
        "shift_y": at.shift_y,
        "shift_x": at.shift_x,
    }
    ratio = flux_ratio(mine, theirs)
    if ratio is not None:
        measures["flux_ratio"] = ratio
    reason = f"{len(match.pairs)} pairs, log10 chance {match.log10_chance:.0f}; {chosen.reason}"
    return Alignment(transform, measures, at.mirrored, reason, chosen.instead)


def star_variance(table: Array) -> Array:
    """float64 (n,): variance of the stars' positions along one axis, px^2.

    Against a flat sky the least is 2 (sigma / SNR)^2 (King 1983, PASP 95, 163), sigma = FWHM /
    2.3548; a floor and a doubt for flagged stars are added.
    """
    photon = 2.0 * (table[:, FWHM] / FWHM_PER_SIGMA / np.maximum(table[:, SNR], 1.0)) ** 2
    return np.asarray(photon + FLOOR**2 + DOUBT**2 * (table[:, FLAGS] != 0))


def flux_ratio(own: Array, ref: Array) -> float | None:
    """Median ratio of the fluxes of matched stars (rows correspond), own / reference.

    It holds exposure, transparency and extinction together. The best stars that there are decide:
    five or more unflagged ones with SNR > 20 in both, else unflagged ones, else unsaturated ones.
    When every matched star is saturated in the reference, as through thick cloud, the ratio is an
    upper limit: enough to keep such a frame from counting as clear. None when all are saturated
    in this frame.
    """
    positive = (own[:, FLUX] > 0) & (ref[:, FLUX] > 0)
    plain = positive & (own[:, FLAGS] == 0) & (ref[:, FLAGS] == 0)
    bright = plain & _bright(own, ref)
    below = positive & ~_saturated(own)
    for use, least in ((bright, 5), (plain, 1), (below & ~_saturated(ref), 1), (below, 1)):
        if np.count_nonzero(use) >= least:
            return float(np.median(own[use, FLUX] / ref[use, FLUX]))
    return None


def _saturated(table: Array) -> Array:
    return np.asarray((table[:, FLAGS].astype(np.int64) & StarFlag.SATURATED) != 0)


def _bright(own: Array, ref: Array) -> Array:
    return np.asarray((own[:, SNR] > BRIGHT) & (ref[:, SNR] > BRIGHT))


def _residual(transform: Transform, own: Array, ref: Array) -> float:
    """Root mean square distance, px, of stars with SNR > 20 (of all kept ones if under five)."""
    good = _bright(own, ref) & (own[:, FLAGS] == 0) & (ref[:, FLAGS] == 0)
    if np.count_nonzero(good) < 5:
        good = np.ones(len(own), bool)
    offset = transform.apply(ref[good, :2]) - own[good, :2]
    return float(np.sqrt((offset**2).sum(axis=1).mean()))


def _centre(shape: tuple[int, int]) -> tuple[float, float]:
    return (shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0


def _edges(
    match: Match,
    own: Array,
    ref: Array,
    own_shape: tuple[int, int],
    ref_shape: tuple[int, int],
) -> Array:
    """float64 (m, 2): points all over the reference that the frame covers."""
    y, x = (np.linspace(0.0, size - 1.0, GRID) for size in ref_shape)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    plain = match.transform
    if len(own) >= FEW:
        with suppress(ValueError):
            plain = fit_affine(ref[:, :2], own[:, :2], np.ones(len(own)))
    at = plain.apply(grid)
    inside = (at >= 0.0) & (at <= np.array([own_shape[1] - 1.0, own_shape[0] - 1.0]))
    return np.asarray(grid[inside.all(axis=1)])
