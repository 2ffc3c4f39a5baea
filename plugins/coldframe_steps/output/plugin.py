"""What the output family adds."""

from __future__ import annotations

from collections.abc import Sequence

from coldframe.hooks import ProductWriter, hookimpl
from coldframe_steps.output.fits import FitsWriter
from coldframe_steps.output.png import PngWriter
from coldframe_steps.output.tiff import TiffWriter


@hookimpl
def coldframe_writers() -> Sequence[ProductWriter]:
    """FITS, TIFF and PNG."""
    return [FitsWriter(), TiffWriter(), PngWriter()]
