"""How the noise of a stack falls with the number of its lights."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from coldframe.evidence.samples import Samples, combine, noise_of, read_samples
from coldframe.frame import Array
from coldframe.specs import ProbeTask
from coldframe.step import Numbers
from coldframe.store import Store

MOST, LEAST = 16, 4  # choices of lights for each number of them


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """The noise curve of the stack of this decision, see `curve`."""
    assert spec.call is not None
    (decision,) = spec.keys["decision"]
    samples = read_samples(store, decision, spec.call)
    return curve(samples, np.random.default_rng(spec.call.seed))


def sizes(lights: int) -> list[int]:
    """1, 2, 4, ... and all lights."""
    found = [2**i for i in range(lights.bit_length()) if 2**i < lights]
    return [*found, lights]


def choices(lights: int, size: int, rng: np.random.Generator) -> Iterator[Array]:
    """Different choices of `size` lights, none of them with a light twice.

    Those out of one shuffle share no light, so that all lights count alike; there are as many as
    fit, up to `MOST`, and further shuffles until there are `LEAST`.
    """
    made = 0
    while made < min(LEAST, math.comb(lights, size)):
        order = rng.permutation(lights)
        for start in range(0, lights - size + 1, size):
            if made < MOST:
                yield np.sort(order[start : start + size])
                made += 1


def curve(samples: Samples, rng: np.random.Generator) -> dict[str, Array]:
    """Noise of stacks of 1, 2, 4, ... and all lights, combined as the stack itself.

    Returns
    -------
    frames : (k,), numbers of lights. noise : (k,), ADU, (mean 1 / sigma^2)^(-1/2) over the choices
    of lights. scatter : (k,), ADU, standard deviation over the choices.

    Notes
    -----
    With weights 1 / sigma^2 the worths 1 / sigma^2 of lights add up (Aitken 1936), so that the
    mean worth of n of them is n times that of one: noise falls as 1 / sqrt(n) from the first
    value, also where lights are unequal.
    """
    frames, noise, scatter = sizes(samples.lights), [], []
    for size in frames:
        found = np.array(
            [
                noise_of(*combine(samples, chosen.tolist()))
                for chosen in choices(samples.lights, size, rng)
            ]
        )
        found = found[np.isfinite(found) & (found > 0)]
        noise.append(float(np.mean(found**-2.0)) ** -0.5 if found.size else np.nan)
        scatter.append(float(np.std(found)) if found.size > 1 else 0.0)
    return {
        "frames": np.array(frames, np.float64),
        "noise": np.array(noise),
        "scatter": np.array(scatter),
    }
