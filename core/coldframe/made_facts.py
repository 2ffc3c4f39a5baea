"""Whether the facts of a frame that a step made fit its pixels."""

from __future__ import annotations

from collections.abc import Iterator

from coldframe.frame import Frame
from coldframe.planes import plane_of
from coldframe.step import Flow


def wrong_facts(before: Frame, after: Frame, flow: Flow) -> Iterator[str]:
    """What the facts of `after` say wrongly of its pixels, each with what to do.

    before : the frame that the step was given. Only facts and sizes are looked at, no pixels.
    """
    told, size = after.info.shape, after.shape
    if told is not None and told != size:
        yield (
            f"its pixels became {_size(size)} and info.shape says {_size(told)}; give "
            "shape=data.shape[-2:] to with_pixels, with the other facts that change"
        )
    for name in after.planes:
        plane = plane_of(after.planes, name).shape[-2:]
        if plane != size:
            yield (
                f"its pixels are {_size(size)} and its plane '{name}' is {_size(plane)}; "
                "resize the planes with the pixels, or drop them (planes={})"
            )
    cfa = after.info.cfa
    if cfa is None:
        return
    if after.data.ndim == 3:
        yield f"it is in colour and info.cfa says {cfa}; give cfa=None to with_pixels"
    elif size != before.shape and not flow.crops and after.info.binning == before.info.binning:
        yield (
            f"a mosaic became {_size(size)} from {_size(before.shape)} and info.cfa still says "
            f"{cfa}: averaging neighbours mixes their colours. Give cfa=None if it is a mosaic no "
            "more, binning=(y, x) if pixels of one colour were binned, or declare "
            "Flow(crops=True) if pixels are only cut off"
        )


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[0]} × {shape[1]} px"
