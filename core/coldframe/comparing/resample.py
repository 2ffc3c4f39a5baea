"""One run's figures made anew from any of its lights, by the step that stacked them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coldframe.comparing.bootstrap import repeated
from coldframe.comparing.folder import Recombined
from coldframe.comparing.sky import box_noise, grey
from coldframe.comparing.stars import HALF, measure
from coldframe.evidence.samples import Samples, combine, read_pieces, read_samples
from coldframe.frame import Array
from coldframe.store import Store

SIDE = 64
"""px, side of the pieces of sky: 64 boxes in each, so that many resamples stay cheap."""

STARS = 30
"""Stars, spread over the brightness of those shared, that each resample measures."""


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of sky and windows about stars of every light of a run.

    masks : bool (pieces, h, w), the sky's pixels. variance : float64 (lights,), see `repeated`.
    """

    sky: Samples
    stars: Samples
    masks: Array
    variance: Array

    @property
    def size(self) -> int:
        """Samples in all, for the time that a resample takes."""
        return int(self.sky.data.size + self.stars.data.size)

    def figures(self, drawn: Array) -> Array:
        """ln of the noise, of each star's light and of each star's FWHM, of a stack of the lights
        drawn: float64 (1 + 2 stars,)."""
        sky, _ = combine(self.sky, drawn.tolist())
        stars, _ = combine(self.stars, drawn.tolist())
        noise = self.noise(sky)
        light, width = measure(_greys(stars))
        with np.errstate(invalid="ignore"):
            return np.concatenate(
                [
                    [np.log(noise) - np.log(repeated(drawn, self.variance))],
                    np.log(light),
                    np.log(width),
                ]
            )

    def noise(self, data: Array) -> float:
        """Median over the pieces of the noise of a box."""
        found = [box_noise(g, m) for g, m in zip(_greys(data), self.masks, strict=True)]
        known = [value for value in found if value > 0]
        return float(np.median(known)) if known else float("nan")


def _greys(data: Array) -> Array:
    """(pieces, c, h, w) to (pieces, h, w)."""
    return np.stack([grey(piece) for piece in data])


def read_parts(store: Store, how: Recombined, mask: Array, tops: Array) -> Pieces:
    """Read the pieces of a run.

    mask : bool (y, x), sky of the whole. tops : int (stars, 2), corners of the stars' windows.

    Raises StoreError when a light's pixels are gone.
    """
    sky = read_samples(store, how.decision, how.call, SIDE)
    side = sky.side
    masks = np.stack(
        [mask[y : y + side[0], x : x + side[1]] for y, x in zip(sky.y, sky.x, strict=True)]
    )
    size = 2 * HALF + 1
    places = [(int(y), int(x)) for y, x in tops]
    stars = read_pieces(store, how.decision, how.call, places, (size, size))
    # What a stack tells of its lights; without it all count alike.
    told = [np.ravel(sky.decision.get(n, np.ones(sky.lights))) for n in ("weight", "matched_noise")]
    variance = np.prod(
        [v if v.shape == (sky.lights,) else np.ones(sky.lights) for v in told], axis=0
    )
    return Pieces(sky, stars, masks, np.square(variance))
