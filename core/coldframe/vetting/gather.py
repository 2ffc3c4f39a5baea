"""Measures every frame once; what was measured is kept with the digests of the files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from coldframe.decoded import decoded
from coldframe.digests import DigestCache
from coldframe.errors import ColdframeError, SourceError
from coldframe.frame import Array, FrameInfo, Kind
from coldframe.hooks import StarGauge
from coldframe.night import reader_for
from coldframe.optional_hooks import GaugeError
from coldframe.plugins import Registry
from coldframe.sources import unchanged
from coldframe.vetting.measures import SIGHT_VERSION, Sight, sight


def gather(
    infos: Sequence[FrameInfo],
    registry: Registry,
    digests: DigestCache,
    *,
    workers: int = 2,
    watch: Callable[[int, int], None] | None = None,
) -> list[Sight | str]:
    """What each frame's pixels show, or why they cannot be read. Saves the cache.

    watch : called with (frames measured, frames in all).
    """
    gauge = registry.star_gauge()
    look_at = partial(_one, registry=registry, gauge=gauge, digests=digests)
    seen: list[Sight | str] = []
    with ThreadPoolExecutor(max_workers=max(workers, 1)) as pool:
        try:
            for one in pool.map(look_at, infos):
                seen.append(one)
                if watch is not None:
                    watch(len(seen), len(infos))
        finally:
            # What was measured before Ctrl-C or a fault need not be measured again.
            pool.shutdown(cancel_futures=True)
            digests.save()
    return seen


class Fields:
    """Tells whether two lights show the same stars, and remembers the answer."""

    def __init__(self, gauge: StarGauge | None, digests: DigestCache) -> None:
        self._gauge, self._digests = gauge, digests

    @property
    def able(self) -> bool:
        """Whether a plugin can compare fields at all."""
        return self._gauge is not None

    def same(self, own: Sight, other: Sight) -> bool:
        """Whether both show the same stars; True where the gauge fails, which it tells itself."""
        gauge = self._gauge
        if gauge is None:
            return True

        def compare() -> Mapping[str, Any]:
            return {"same": gauge.same_field(own.field, other.field)}

        key = "|".join(
            ("field", SIGHT_VERSION, gauge.name, gauge.version, own.pixels, other.pixels)
        )
        try:
            return bool(self._digests.facts(key, compare)["same"])
        except GaugeError:
            return True


def _one(
    info: FrameInfo,
    registry: Registry,
    gauge: StarGauge | None,
    digests: DigestCache,
) -> Sight | str:
    try:
        try:
            return _measured(info, registry, gauge, digests)
        except GaugeError:
            return _measured(info, registry, None, digests)  # its stars are not known, all else is
    except SourceError:
        raise  # no fault of the frame: nothing may be kept about it
    except ColdframeError as error:
        return " ".join(str(error).split()).removeprefix(f"{info.label}: ")
    except Exception as error:  # a stranger's reader may fail in any way
        return f"cannot be measured: {type(error).__name__}: {error}"


def _measured(
    info: FrameInfo, registry: Registry, gauge: StarGauge | None, digests: DigestCache
) -> Sight:
    reader = reader_for(info, registry.readers)
    starry = gauge if info.kind is Kind.LIGHT else None
    parts = (
        "vet", SIGHT_VERSION, info.digest, info.hdu, info.plane, reader.name, reader.version,
        info.cfa, info.black, info.white, starry and f"{starry.name} {starry.version}",
    )  # fmt: skip

    def make() -> Mapping[str, Any]:
        path = Path(info.path)
        with unchanged(path, digests.stamp(path)):
            frame = decoded.read(reader, info)
        # Notes may know of the sensor what the file does not say.
        frame = frame.with_pixels(frame.data, cfa=info.cfa, black=info.black, white=info.white)
        stars: Mapping[str, float] = {}
        field: Array | None = None
        if starry is not None:
            stars, field = starry.measure(frame)
        return sight(frame, stars, field).to_json()

    return Sight.from_json(digests.facts("|".join(map(str, parts)), make))
