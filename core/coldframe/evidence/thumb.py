"""Probe: a small picture of a light, read from a few of its rows."""

from __future__ import annotations

import numpy as np

from coldframe.evidence.probes import alive, read_source
from coldframe.frame import Array, Frame, FrameInfo
from coldframe.report.glance import colours
from coldframe.specs import ProbeTask
from coldframe.step import Numbers
from coldframe.store import Store

WIDTH = 216  # px
DEEP = 8  # rows of the frame looked at for each row of the picture, at most


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """picture : (colours, h, w), ADU. calibrated : (1,), 0 when it is as the camera wrote it.

    Raises SetAside when the frame cannot be read.
    """
    info, reader_name = spec.sources[0]
    made = alive(store, spec.keys.get("frame", ()))
    if made:
        picture = thumb_of_product(store, made[0], store.get(made[0]).info)  # type: ignore[union-attr]
    else:
        frame = read_source(info, reader_name)
        picture = thumb(np.asarray(frame.channels, np.float32), info)
    return {"picture": picture, "calibrated": np.array([float(bool(made))])}


def thumb_of_product(store: Store, key: str, info: FrameInfo) -> Array:
    """The picture of a stored frame; only the rows that it needs are read."""
    bands = store.bands(key)
    tops, deep = _rows(bands.height, bands.width)
    data = np.empty((bands.channels, len(tops) * deep, bands.width), np.float32)
    marks = np.empty((deep, bands.width), np.uint8)
    for channel in range(bands.channels):
        for i, top in enumerate(tops):
            bands.read(top, top + deep, channel, data[channel, i * deep : (i + 1) * deep], marks)
    return _shrunk(data, info, deep)


def thumb(channels: Array, info: FrameInfo) -> Array:
    """The picture of a frame in memory, channels (c, y, x)."""
    tops, deep = _rows(*channels.shape[1:])
    rows = np.concatenate([np.arange(top, top + deep) for top in tops])
    return _shrunk(channels[:, rows], info, deep)


def _rows(height: int, width: int) -> tuple[list[int], int]:
    """First row, an even one, of what each row of the picture is made of, and how many there are."""
    wanted = max(1, min(round(WIDTH * height / width), height // 2))
    deep = min(DEEP, max(2, height // wanted // 2 * 2))
    return [int(i * (height - deep) / max(1, wanted - 1)) // 2 * 2 for i in range(wanted)], deep


def _shrunk(data: Array, info: FrameInfo, deep: int) -> Array:
    """Means over the pixels of each: float64 (colours, h, w)."""
    flags = np.zeros(data.shape[1:], np.uint8)
    plain = data if len(data) > 1 else data[0]
    planes = np.asarray(colours(Frame(plain, flags, info)).channels)
    if planes.shape[1] < data.shape[1]:  # each 2 x 2 of a mosaic is one pixel
        deep //= 2
    height, width = planes.shape[1] // deep, planes.shape[2]
    edges = np.linspace(0, width, min(WIDTH, width) + 1).astype(int)[:-1]
    rows = planes.reshape(len(planes), height, deep, width).mean(axis=2, dtype=np.float64)
    sizes = np.diff(np.append(edges, width))
    return np.asarray(np.add.reduceat(rows, edges, axis=2) / sizes)
