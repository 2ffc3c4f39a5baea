"""Masters from the library into a run's store: fetched as they are, or blended of two."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from coldframe.digests import file_digest
from coldframe.errors import StoreError
from coldframe.frame import Frame
from coldframe.lending import BLEND
from coldframe.product import atomic
from coldframe.specs import BlendTask, FetchTask, need
from coldframe.store import Ref, Store

ROWS = 64  # blended at once, in float64


def place(source: Path, target: Path) -> None:
    """Make `target` the same file as `source`: a second name for it, else a copy.

    Both are files of a store, which nobody changes after they are written. Atomic.

    Raises
    ------
    StoreError
        Cannot be read or written, or the disk is full; nothing is left behind.
    """
    if target.exists() and source.exists() and target.samefile(source):
        return
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".place-", dir=target.parent) as folder:
            link = Path(folder) / target.name
            os.link(source, link)
            link.replace(target)
        return
    except OSError as error:
        if error.errno not in (errno.EXDEV, errno.EPERM, errno.EMLINK, errno.ENOTSUP):
            raise StoreError(f"cannot write {target}: {error.strerror or error}") from error
    with atomic(target) as temporary:
        shutil.copyfile(source, temporary)


def run_fetch(spec: FetchTask, store: Store) -> Ref:
    """A library's master under its own key. Its checksum is verified before it is used.

    Raises StoreError when the master is gone or damaged.
    """
    done = store.get(spec.key)
    if done is not None:
        return done
    library = Store(Path(spec.library))
    ref = library.get(spec.key)
    if ref is None or file_digest(library.file(spec.key)) != spec.digest:
        raise StoreError(
            f"the library's master {spec.key[:10]} ({spec.label}) is gone or damaged; 'coldframe "
            "library check' tells more, 'library remove' takes it out, --no-library goes without"
        )
    for suffix in (".fits", ".json"):
        file = library.file(spec.key).with_suffix(suffix)
        place(file, store.file(spec.key).with_suffix(suffix))
    return ref


def run_blend(spec: BlendTask, store: Store) -> Ref:
    """A dark between two temperatures; see `coldframe.interpolation`."""
    done = store.get(spec.key)
    if done is not None:
        return done
    need(store, spec.cold)
    need(store, spec.warm)
    frame = blend(store.frame(spec.cold), store.frame(spec.warm), spec.weight, spec.weight_error)
    frame = replace(
        frame,
        info=replace(frame.info, temperature=spec.temperature),
        history=(*frame.history, spec.note),
    )
    ref = Ref(
        spec.key,
        step=BLEND,
        inputs=(spec.cold, spec.warm),
        info=frame.info,
        measures=frame.measures,
        planes=tuple(frame.planes),
        history=frame.history,
    )
    return store.put_frame(ref, frame, durable=True)


def blend(cold: Frame, warm: Frame, weight: float, weight_error: float) -> Frame:
    """(1 - w) cold + w warm, with its variance (GUM, JCGM 100:2008, 5.1.2, equation 10).

    Planes: variance, ADU^2, from both masters and from the weight's own uncertainty; it is there
    when both masters have one.
    """
    known = "variance" in cold.planes and "variance" in warm.planes
    own = [cold.planes["variance"], warm.planes["variance"]] if known else []
    data, apart = np.empty_like(cold.data), np.empty_like(cold.data)
    variance = np.empty_like(cold.data) if known else np.empty(0, np.float32)
    for y in range(0, cold.shape[0], ROWS):
        part = np.s_[..., y : y + ROWS, :]
        a, b = cold.data[part].astype(np.float64), warm.data[part].astype(np.float64)
        data[part] = (1 - weight) * a + weight * b
        apart[part] = np.abs(b - a)
        if known:
            variance[part] = (
                (1 - weight) ** 2 * own[0][part].astype(np.float64)
                + weight**2 * own[1][part]
                + ((b - a) * weight_error) ** 2
            )
    return Frame(
        data=data,
        flags=cold.flags | warm.flags,
        info=cold.info,
        planes={"variance": variance} if known else {},
        measures={
            "frames": cold.measures.get("frames", 0.0) + warm.measures.get("frames", 0.0),
            "level": float(np.median(data)),
            "blend_error": float(np.median(apart) * weight_error),
        },
        history=(*cold.history, *warm.history),
    )
