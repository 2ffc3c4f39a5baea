"""A run whose proof is invented: every part of the report has something to show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.report.record import FrameRecord, Proof, RunRecord, Variant

SHAPE = (240, 320)
NOISE = (8.0, 5.7, 4.1, 3.0)


def frame(level: float, *, tilt: float = 0.0, hot: int = 0, noise: float = 2.0) -> Frame:
    """Sky, stars, a gradient and hot pixels, in three colours."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image = level + tilt * (x / SHAPE[1] - 0.5) + rng.normal(0, noise, SHAPE)
    for sy, sx in rng.uniform(20, 220, (12, 2)):
        image += 500 * np.exp(-((y - sy) ** 2 + (x - sx) ** 2) / 6)
    image.ravel()[rng.choice(image.size, hot, replace=False)] += 900
    flags = np.zeros(SHAPE, np.uint8)
    flags[:2] = Flag.NO_DATA
    return Frame(np.stack([image] * 3).astype(np.float32), flags, FrameInfo(kind=Kind.LIGHT))


def proved(record: RunRecord) -> RunRecord:
    """The record with a proof of its stack, all of it invented."""
    rng = np.random.default_rng(3)
    used = [f for f in record.frames if f.used]
    frames: list[FrameRecord] = []
    for i, light in enumerate(record.frames):
        moved = {"shift_y": 5.0 * i, "shift_x": -3.0 * i} if light.used else {}
        frames.append(replace(light, measures={**light.measures, **moved}))
    numbers = {
        "d": {
            "frames": np.array([1.0, 2, 4, len(used)]),
            "noise": np.array(NOISE),
            "scatter": np.array([0.5, 0.3, 0.1, 0.0]),
        },
        "f": {
            name: np.atleast_1d(np.asarray(value, np.float64))
            for name, value in {
                "hot_count": 410, "hot_seen": 300, "hot_left": 1.7, "hot_excess": 812,
                "raw_rows": 3.0, "raw_rows_error": 0.04, "clean_rows": 0.2, "clean_rows_error": 0.04,
                "raw_columns": 0.1, "raw_columns_error": 0.5, "clean_columns": 0.0,
                "clean_columns_error": 0.5, "dark_columns": 1.25, "dark_columns_error": 0.01,
                "before_falloff": 0.31, "after_falloff": 0.004, "flat_falloff": 0.32,
                "dust_depth": [0.02, 0.05], "dust_y": [60, 120], "dust_x": [80, 200],
                "dust_size": [300, 500], "dust_before": [0.9, 0.05], "dust_after": [0.02, 0.01],
                "light_noise": 10.0, "floor_dark": 1.0, "floor_flat": 0.5, "level": 800,
            }.items()
        },
        "s": {"stack tilt": np.array([55.0]), "final tilt": np.array([1.5])},
        "v": {
            "shape": np.array(SHAPE, float),
            "star_y": rng.uniform(10, 230, 40), "star_x": rng.uniform(10, 310, 40),
            "move_y": rng.normal(0, 0.1, (3, 40)), "move_x": rng.normal(0, 0.1, (3, 40)),
        },
        "t": {
            "frame": np.array([1.0]), "start": np.array([[10.0, 20]]), "end": np.array([[110.0, 20]]),
            "excess": np.array([75.0]),
            "light 0": frame(800, noise=5).channels[:, :120, :160].astype(float),
            "stack 0": frame(800).channels[:, :120, :160].astype(float),
        },
    }  # fmt: skip
    probes = {"depth": "d", "fixed": "f", "surface": "s", "stars": "v", "trails": "t"}
    for i, light in enumerate(record.frames):
        probes[f"thumb {light.id}"] = f"thumb-{i}"
        numbers[f"thumb-{i}"] = {
            "picture": frame(800 + 20 * i).channels[:, ::4, ::4].astype(float),
            "calibrated": np.array([float(light.used)]),
        }
    pixels = {
        "w": frame(800, tilt=50), "w-dark": frame(850, tilt=50, hot=300),
        "w-flat": frame(800, tilt=400), "w-bias": frame(800, tilt=50),
        "stack-key": frame(800, tilt=50), "final-key": frame(700),
    }  # fmt: skip
    proof = Proof(
        "stack-key",
        tuple(f.id for f in used[:3]),
        (
            Variant("", "w", 3),
            Variant("bias", "w-bias", 3),
            Variant("dark", "w-dark", 3),
            Variant("flat", "w-flat", 2),
            Variant("dark-flat", "none", 0, "it needs a bias"),
        ),
        probes,
    )
    return replace(
        record,
        frames=frames,
        proof=proof,
        numbers=numbers.get,
        read=lambda key: pixels.get(key) or record.read(key),
    )
