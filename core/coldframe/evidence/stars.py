"""Probe: where stars lie in registered lights next to where the stack has them."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from coldframe.errors import SetAside
from coldframe.evidence.probes import alive
from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.specs import ProbeTask
from coldframe.step import Numbers
from coldframe.store import Store
from coldframe.stretch import sky_level

MOST = 240  # stars
BRIGHT = 25.0  # sigma of the sky that a star's peak stands above it
REACH = 7  # px, half of the window that a star is measured in
WINDOW = 2.0  # px, sigma of the weight
FARTHEST = 3.0  # px; what is farther is another star


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """shape : (2,), of the frame, px. star_y, star_x : (stars,), px. move_y, move_x : (lights, stars), px, where each light has a
    star less where the stack has it; NaN where it could not be measured.

    Raises SetAside when there is no star to measure.
    """
    stacks, lights = alive(store, spec.keys["stack"]), alive(store, spec.keys["frames"])
    if not stacks or not lights:
        raise SetAside("no registered light is left")
    stack = store.frame(stacks[0])
    found = find_stars(stack)
    if not len(found):
        raise SetAside("no bright star stands by itself")
    places = centres(stack, found)
    moves = np.stack([centres(store.frame(key), places) - places for key in lights])
    moves[np.hypot(*np.moveaxis(moves, 2, 0)) > FARTHEST] = np.nan
    return {
        "shape": np.array(stack.shape, np.float64),
        "star_y": places[:, 0],
        "star_x": places[:, 1],
        "move_y": moves[..., 0],
        "move_x": moves[..., 1],
    }


def _light(frame: Frame) -> Array:
    """Mean of the colours, unusable pixels at the sky, float32 (y, x)."""
    image = frame.channels.mean(axis=0, dtype=np.float32)
    bad = (frame.flags & np.uint8(UNUSABLE)) != 0
    if bad.any():
        image[bad] = np.median(image[~bad]) if not bad.all() else 0
    return image


def find_stars(frame: Frame) -> Array:
    """Bright unsaturated stars that stand by themselves: float64 (n, 2), y and x, brightest first.

    Even over the field: at most `MOST`, and of those no two within 4 windows.
    """
    image = _light(frame)
    sky, sigma = sky_level(image[::3, ::3])
    soft = ndimage.uniform_filter(image, 3)
    peak = (soft == ndimage.maximum_filter(soft, 2 * REACH + 1)) & (soft > sky + BRIGHT / 3 * sigma)
    bad = (frame.flags & np.uint8(UNUSABLE | Flag.SATURATED)) != 0
    peak &= ~ndimage.maximum_filter(bad, 2 * REACH + 1)
    edge = 3 * REACH
    peak[:edge] = peak[-edge:] = False
    peak[:, :edge] = peak[:, -edge:] = False
    y, x = np.nonzero(peak)
    order = np.argsort(-soft[y, x], kind="stable")
    kept: list[tuple[int, int]] = []
    for place in order[: 20 * MOST]:
        at = (int(y[place]), int(x[place]))
        if all(max(abs(at[0] - b[0]), abs(at[1] - b[1])) > 4 * REACH for b in kept):
            kept.append(at)
        if len(kept) == MOST:
            break
    return np.array(kept, np.float64).reshape(-1, 2)


def centres(frame: Frame, places: Array) -> Array:
    """Centres of stars near the given places: float64 (n, 2), NaN where there is none.

    Notes
    -----
    The mean place under a Gaussian weight of `WINDOW` px about itself, moved by twice its distance
    until it stands still (weighted moments: Bernstein and Jarvis 2002, AJ 123, 583). The sky is
    the median of the window's border.
    """
    image = _light(frame)
    out = np.full(places.shape, np.nan)
    steps = np.arange(-REACH, REACH + 1)
    for i, (y, x) in enumerate(places):
        if not np.isfinite(y + x):
            continue
        top, left = round(y), round(x)
        rows, columns = slice(top - REACH, top + REACH + 1), slice(left - REACH, left + REACH + 1)
        part = image[rows, columns].astype(np.float64)
        if part.shape != (steps.size, steps.size):
            continue
        border = np.concatenate([part[0], part[-1], part[1:-1, 0], part[1:-1, -1]])
        part -= np.median(border)
        dy, dx = y - top, x - left
        for _ in range(40):
            weight = np.exp(
                -((steps[:, None] - dy) ** 2 + (steps[None, :] - dx) ** 2) / (2 * WINDOW**2)
            )
            light = weight * part
            total = light.sum()
            if total <= 0:
                break
            move = (
                float((light * (steps[:, None] - dy)).sum() / total),
                float((light * (steps[None, :] - dx)).sum() / total),
            )
            dy, dx = dy + 2 * move[0], dx + 2 * move[1]
            if max(abs(dy), abs(dx)) > REACH / 2:
                break
            if max(map(abs, move)) < 1e-4:
                out[i] = top + dy, left + dx
                break
    return out
