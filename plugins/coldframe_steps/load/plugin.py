"""Frame readers and metadata fixers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coldframe.frame import FrameInfo
from coldframe.hooks import FrameReader, hookimpl
from coldframe_steps.load import makers
from coldframe_steps.load.fits import FitsReader
from coldframe_steps.load.raw import RawReader
from coldframe_steps.load.tiff import TiffReader


@hookimpl
def coldframe_readers() -> Sequence[FrameReader]:
    """Camera raw, FITS and TIFF."""
    return [RawReader(), FitsReader(), TiffReader()]


@hookimpl
def coldframe_fix_metadata(info: FrameInfo, header: Mapping[str, Any]) -> FrameInfo | None:
    """Facts that camera makers keep outside the Exif standard."""
    return makers.fix(info, header)
