"""Probe: what stays at one place on the sensor, in lights as shot and once calibrated."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from coldframe.errors import SetAside
from coldframe.evidence.blocks import blocks_of
from coldframe.evidence.dust import depth_in, find_shadows
from coldframe.evidence.pattern import Profiles, Stripes, hot_pixels
from coldframe.evidence.probes import alive, read_source
from coldframe.evidence.shape import box_levels, fit_shape
from coldframe.frame import UNUSABLE, Array, Frame, FrameInfo
from coldframe.report.glance import colours
from coldframe.selection import median
from coldframe.specs import ProbeTask, need
from coldframe.step import Numbers
from coldframe.store import Store


@dataclass(frozen=True, slots=True)
class Pair:
    """A light as shot and calibrated, and the keys of its masters by kind."""

    raw: Array
    clean: Frame
    dark_scale: float
    masters: dict[str, str]


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """Figures of the sample's lights before and after calibration, each (1,) unless told.

    hot_count, hot_seen, hot_left, hot_excess : see `pattern.HotPixels`. WHAT_rows, WHAT_columns
    and the same with _error : `pattern.Stripes` of WHAT raw, clean, bias, dark. before_falloff,
    after_falloff, flat_falloff : `shape.Shape.falloff` of the sky in calibrated lights with the
    flat put back, in calibrated lights, and of the flat. dust_depth, dust_y, dust_x, dust_size :
    (n,), the flat's shadows; dust_before, dust_after : (2,), how deep lights have them, see
    `dust.depth_in`. light_noise, floor_bias, floor_dark, floor_flat : ADU, sigma of a calibrated
    light's pixel and what each master's noise is of it. level : ADU, the sky.

    Raises SetAside when none of the lights is there.
    """
    out: dict[str, float | tuple[float, ...] | Array] = {}
    pairs = list(_names(spec, store))
    if not pairs:
        raise SetAside("no light of the sample could be calibrated")
    first = pairs[0][1]
    masters = {kind: store.frame(key) for kind, key in first.items()}
    cfa = need(store, pairs[0][0]).info.cfa is not None
    raw_lines, clean_lines = Profiles(cfa), Profiles(cfa)
    flat = masters.get("flat")
    shadows = None
    if flat is not None:
        shadows = find_shadows(flat.data, cfa)
        out |= {"flat_falloff": _falloff(flat.data, flat.flags, flat.info, 4.0)}
        out |= {
            "dust_depth": shadows.depth,
            "dust_size": shadows.size,
            "dust_y": shadows.y,
            "dust_x": shadows.x,
        }
    hot, falloffs, dust, levels, scales = [], [], [], [], []
    for pair in _pairs(spec, store, pairs):
        clean, marks = pair.clean.data, pair.clean.flags
        raw_lines.add(pair.raw)
        clean_lines.add(clean, marks)
        found = hot_pixels([(pair.raw, clean, marks)], cfa)
        hot += [found] if found else []
        scales.append(pair.dark_scale)
        levels.append(_levels(clean, marks, cfa))
        if flat is None or shadows is None or pair.masters.get("flat") != first["flat"]:
            continue
        both = [_shaded(v, pair.clean, shadows.block, cfa) for v in (clean * flat.data, clean)]
        falloffs.append([falloff for falloff, _ in both])
        dust.append([blocks for _, blocks in both])
    if hot:
        values = np.mean([(h.count, h.seen, h.left, h.excess) for h in hot], axis=0)
        names = ("hot_count", "hot_seen", "hot_left", "hot_excess")
        out |= dict(zip(names, values.tolist(), strict=True))
    for what, lines in (
        ("raw", raw_lines),
        ("clean", clean_lines),
        *((kind, _lines(masters[kind], cfa)) for kind in ("bias", "dark") if kind in masters),
    ):
        for axis, name in enumerate(("rows", "columns")):
            stripes: Stripes = lines.stripes(axis)
            out |= {f"{what}_{name}": stripes.sigma, f"{what}_{name}_error": stripes.error}
    if falloffs:
        before, after = np.nanmean(np.array(falloffs, np.float64), axis=0)
        out |= {"before_falloff": float(before), "after_falloff": float(after)}
    if dust and shadows is not None:
        for i, name in enumerate(("before", "after")):
            out[f"dust_{name}"] = depth_in(shadows, [blocks[i] for blocks in dust], shadows.blocks)
    out |= {"light_noise": clean_lines.noise, "level": float(np.mean(levels))}
    out |= floors(masters, float(np.mean(scales)), np.mean(levels, axis=0), cfa)
    return {name: np.atleast_1d(np.asarray(value, np.float64)) for name, value in out.items()}


def _names(spec: ProbeTask, store: Store) -> Iterator[tuple[str, dict[str, str], int]]:
    """Calibrated lights that are there: key, keys of masters by kind, place in the sample."""
    living = set(alive(store, spec.keys["clean"]))
    for place, key in enumerate(spec.keys["clean"]):
        masters = {k: keys[place] for k, keys in spec.keys.items() if k != "clean"}
        if key in living and len(alive(store, tuple(masters.values()))) == len(masters):
            yield key, masters, place


def _pairs(
    spec: ProbeTask, store: Store, names: list[tuple[str, dict[str, str], int]]
) -> Iterator[Pair]:
    """One at a time, since each may be large."""
    for key, masters, place in names:
        info, reader = spec.sources[place]
        raw = np.asarray(read_source(info, reader).data, np.float32)
        clean = store.frame(key)
        if raw.shape == clean.data.shape and raw.ndim == 2:
            scale = need(store, key).measures.get("dark_scale", 1.0)
            yield Pair(raw, clean, float(scale), masters)


def _lines(master: Frame, cfa: bool) -> Profiles:
    lines = Profiles(cfa)
    lines.add(master.data)
    return lines


def _shaded(data: Array, light: Frame, block: int, cfa: bool) -> tuple[float, Array]:
    """Falloff and means of blocks of a light's pixels, with the flat put back or without it."""
    return _falloff(data, light.flags, light.info), blocks_of(data, light.flags, block, cfa)


def _falloff(data: Array, flags: Array, info: FrameInfo, above: float = 2.0) -> float:
    """Mean over the colours."""
    planes = colours(Frame(data, flags, info))
    found = [fit_shape(box_levels(channel, planes.flags), above) for channel in planes.channels]
    known = [shape.falloff for shape in found if shape is not None]
    return float(np.mean(known)) if known else math.nan


def _positions(cfa: bool) -> list[tuple[slice, slice]]:
    step = 2 if cfa else 1
    return [(slice(y, None, step), slice(x, None, step)) for y in range(step) for x in range(step)]


def _levels(data: Array, flags: Array, cfa: bool) -> list[float]:
    """Median of each CFA position."""
    bad = (flags & np.uint8(UNUSABLE)) != 0
    return [median(data[place], bad[place]) for place in _positions(cfa)]


def floors(
    masters: dict[str, Frame], dark_scale: float, levels: Array, cfa: bool
) -> dict[str, float]:
    """Sigma that each master's own noise puts into every light, ADU.

    Parameters
    ----------
    levels : sky of a calibrated light, ADU, of each CFA position.

    Notes
    -----
    A light is (raw - b - k (d - b)) F0 / F. With v the variances of the masters (their planes
    "variance", medians): bias (1 - k)^2 v_b, or v_b when the dark has no bias in it or there is no
    dark; dark k^2 v_d; flat level^2 v_F / F^2 (error propagation: JCGM 100:2008, 5.1.2).
    """
    out: dict[str, float] = {}
    dark = masters.get("dark")
    black = dark.info.black if dark is not None else None
    inside = dark is not None and (black is None or any(black))
    for kind, factor in (("bias", 1 - dark_scale if inside else 1.0), ("dark", dark_scale)):
        variance = masters[kind].planes.get("variance") if kind in masters else None
        if variance is not None:
            out[f"floor_{kind}"] = abs(factor) * math.sqrt(max(0.0, median(variance)))
    flat = masters.get("flat")
    variance = flat.planes.get("variance") if flat is not None else None
    if flat is not None and variance is not None:
        parts = [
            level**2 * median(variance[place] / np.maximum(flat.data[place], 1e-6) ** 2)
            for level, place in zip(levels, _positions(cfa), strict=True)
        ]
        out["floor_flat"] = math.sqrt(max(0.0, float(np.mean(parts))))
    return out
