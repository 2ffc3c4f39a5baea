"""Levels that vetting measures, against astropy's sigma-clipped statistics."""

import numpy as np
from astropy.stats import sigma_clipped_stats

from coldframe.frame import Frame, FrameInfo
from coldframe.vetting.measures import Sight, sight


def test_levels_are_clipped_means_of_each_colour():
    """astropy.stats.sigma_clipped_stats, median centre and MAD sigma, on every pixel."""
    rng = np.random.default_rng(3)
    levels = {"R": 700.0, "G": 900.0, "B": 650.0}
    data = np.empty((480, 640))
    for place, name in enumerate("RGGB"):
        data[place // 2 :: 2, place % 2 :: 2] = rng.normal(levels[name], 20, (240, 320))
    data.ravel()[rng.choice(data.size, 300, replace=False)] = 15000  # hot pixels
    data = np.floor(data + 0.5).astype(np.uint16)
    info = FrameInfo(cfa="RGGB", black=(512.0, 512.0, 512.0, 512.0), white=16383.0)
    seen = sight(Frame(data, np.zeros(data.shape, np.uint8), info))
    for name, (y, x) in {"R": (0, 0), "B": (1, 1)}.items():
        mean, _, _ = sigma_clipped_stats(
            data[y::2, x::2], sigma=3, maxiters=1, cenfunc="median", stdfunc="mad_std"
        )
        assert abs(seen.colours[name] - (mean - 512)) < 0.2  # the mean's own error is 0.07
    assert abs(seen.level - np.mean([levels[n] - 512 for n in "RGB"])) < 0.3
    assert seen.full == 16383 - 512
    # A cell of 30 x 30 has 225 pixels of each of four colours; the scatter of cells is its error.
    scatter = np.std(seen.grid - seen.grid.mean())
    assert 0.8 < scatter / seen.error < 1.2
    again = Sight.from_json(seen.to_json())
    np.testing.assert_allclose(again.grid, seen.grid, rtol=1e-5)
    assert (again.pixels, again.look) == (seen.pixels, seen.look)
