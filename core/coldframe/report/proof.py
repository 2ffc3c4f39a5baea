"""What each kind of calibration did: the same stack without it, and the numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coldframe.frame import Array, Frame
from coldframe.report.blocks import Block, Cell, Heading, Line, Picture, Pictures, Table, Text
from coldframe.report.figures import Change, changes, probe
from coldframe.report.glance import BAND, CROP, colours, thin
from coldframe.report.numbers import count, number
from coldframe.report.pictures import fit, moved, picture, skies
from coldframe.report.record import RunRecord, Variant
from coldframe.report.tables import numeric
from coldframe.stretch import Stretch, preview

_WHOLE = 900  # px, longest side of a whole picture
_SAMPLE = 600
_DIFFERS = 6.0  # sigma of the difference
_ORDER = ("bias", "dark", "flat", "background")


def proof_blocks(record: RunRecord) -> list[Block]:
    """The table of figures and a pair of pictures for each kind of master."""
    proof = record.proof
    blocks: list[Block] = []
    found = changes(record)
    if found:
        blocks.append(_table(found))
    variants = {variant.kind: variant for variant in proof.variants} if proof else {}
    whole = variants.pop("", None)
    if whole is None or whole.reason or not variants:
        return blocks
    reference = record.read(whole.stack)
    if reference is None:
        return blocks
    shown = _shown(reference, _WHOLE)
    blocks.append(
        Text(
            f"The pictures below are stacks of {count(whole.frames, 'light')} spread over the "
            "night, made twice: with all masters, and with all but one. Both have the same stretch, "
            "each about its own sky."
        )
    )
    for kind, variant in variants.items():
        said = _said(record, kind, [change for change in found if change.kind == kind])
        blocks += _variant(record, variant, whole, reference, shown, said)
    return blocks


def _table(found: Sequence[Change]) -> Table:
    headings = [
        Heading("What"),
        Heading("Done by"),
        Heading("Before", numeric=True),
        Heading("After", numeric=True),
        Heading("Unit"),
        Heading("Remarks", wide=True),
    ]
    lines = [
        Line(
            [
                Cell(change.name),
                Cell(change.kind),
                *map(numeric, change.shown),
                Cell(change.unit or "–"),
                Cell("; ".join(filter(None, (change.note, _error(change)))) or "–"),
            ]
        )
        for change in sorted(found, key=lambda c: _ORDER.index(c.kind))
    ]
    return Table("What calibration took away", headings, lines)


def _error(change: Change) -> str:
    if change.error is None:
        return ""
    return f"after: uncertain by {number(change.error, 2)} {change.unit}"


def _variant(
    record: RunRecord,
    variant: Variant,
    whole: Variant,
    reference: Frame,
    shown: _Shown,
    said: list[str],
) -> list[Block]:
    kind = variant.kind
    title = f"Without and with the {kind}"
    if variant.reason:
        return [Text(f"{title}: there is no stack without the {kind}, because {variant.reason}")]
    other = record.read(variant.stack)
    if other is None or other.data.shape != reference.data.shape:
        return []
    if variant.frames != whole.frames:
        said.append(
            f"Without the {kind} only {count(variant.frames, 'light')} could be stacked, against "
            f"{whole.frames} with it."
        )
    if _same(reference, other):
        said.append(
            f"Leaving the {kind} out changes nothing that can be seen here"
            + (": the dark has the same offset in it." if kind == "bias" else ".")
        )
        return [Text(" ".join([f"{title}.", *said]))]
    pairs = [_pair(_small(other, _WHOLE), shown, kind, "the whole field", exact=False)]
    cut = _where(record, kind, reference, other)
    pairs.append(
        _pair(
            _small(_cut(other, cut), max(CROP)),
            _shown(_cut(reference, cut), max(CROP)),
            kind,
            f"a part at {'half' if kind == 'flat' else 'full'} size, where it shows most",
            exact=True,
        )
    )
    blocks: list[Block] = []
    for place, pair in enumerate(pairs):
        if pair:
            blocks.append(
                Pictures(pair, title if place == 0 else "", " ".join(said) if place == 0 else "")
            )
    return blocks


def _said(record: RunRecord, kind: str, found: Sequence[Change]) -> list[str]:
    said = [f"{change.name}: {change.words}." for change in found]
    fixed = probe(record, "fixed")
    if kind == "dark" and "hot_excess" in fixed and found:
        said.append(
            f"The median hot pixel stands {number(float(fixed['hot_excess'][0]), 3)} "
            "ADU above its neighbours."
        )
    if kind == "flat" and "flat_falloff" in fixed:
        said.append(
            f"The flat itself is {number(100 * float(fixed['flat_falloff'][0]), 3)}% darker in the "
            "corners."
        )
    return said


def _same(one: Frame, other: Frame) -> bool:
    """Whether no pixel of a sample differs by more than a hundredth of the noise."""
    few = [thin(Frame(f.data, f.flags, f.info), _SAMPLE).data for f in (one, other)]
    difference = np.abs(few[0] - few[1])
    noise = 1.4826 * float(np.median(np.abs(few[0] - np.median(few[0]))))
    return bool(np.mean(difference > 0.01 * noise) < 0.001)


def _where(record: RunRecord, kind: str, one: Frame, other: Frame) -> tuple[slice, slice]:
    """The window of the size of a crop in which the two differ at most pixels."""
    # Shadows are faint and wide: a wider part, averaged, shows them best.
    wide = 2 if kind == "flat" else 1
    size = tuple(min(wide * a, b) for a, b in zip(CROP, one.shape, strict=True))
    fixed = probe(record, "fixed")
    depths = fixed.get("dust_depth", np.zeros(0))
    if kind == "flat" and depths.size:
        place = int(depths.argmax())
        # Left of the middle, where the slider shows the picture without the flat.
        middle = float(fixed["dust_y"][place]), float(fixed["dust_x"][place]) + size[1] / 5
    else:
        share = ndimage.uniform_filter(_differing(one, other).astype(np.float32), size)
        half = [s // 2 for s in size]
        inner = share[
            half[0] : one.shape[0] - half[0] or None, half[1] : one.shape[1] - half[1] or None
        ]
        at = np.unravel_index(int(inner.argmax()), inner.shape) if inner.size else (0, 0)
        middle = float(at[0] + half[0]), float(at[1] + half[1])
    starts = [
        int(min(max(0, round(m) - s // 2), have - s))
        for m, s, have in zip(middle, size, one.shape, strict=True)
    ]
    return (
        slice(starts[0], starts[0] + size[0]),
        slice(starts[1], starts[1] + size[1]),
    )


def _differing(one: Frame, other: Frame) -> Array:
    """bool (y, x): where the mean over colours differs by more than most places do."""
    change = np.empty(one.shape, np.float32)
    bands = [slice(y, y + BAND) for y in range(0, one.shape[0], BAND)]
    for band in bands:
        means = [frame.channels[:, band].mean(axis=0) for frame in (other, one)]
        np.abs(means[0] - means[1], out=change[band])
    usual = np.median(change[::4, ::4])
    for band in bands:
        np.abs(change[band] - usual, out=change[band])
    return change > _DIFFERS * (1.4826 * float(np.median(change[::4, ::4])) or 1e-6)


def _cut(frame: Frame, cut: tuple[slice, slice]) -> Frame:
    return Frame(frame.data[..., *cut].copy(), frame.flags[cut].copy(), frame.info)


@dataclass(frozen=True, slots=True)
class _Shown:
    """The stack with all masters, made small, and what it is shown with."""

    small: Frame
    stretch: Stretch | None
    skies: Sequence[float]


def _shown(frame: Frame, size: int) -> _Shown:
    small = _small(frame, size)
    return _Shown(small, fit(small), skies(small))


def _small(frame: Frame, size: int) -> Frame:
    return preview(colours(frame), size)


def _pair(without: Frame, having: _Shown, kind: str, what: str, *, exact: bool) -> list[Picture]:
    stretch = having.stretch
    if stretch is None:
        return []
    return [
        picture(
            frame,
            moved(stretch, having.skies, sky),
            name=name,
            caption=f"{what[0].upper()}{what[1:]}.",
            alt=f"{name}: {what}",
            exact=exact,
        )
        for frame, sky, name in (
            (without, skies(without), f"Without the {kind}"),
            (having.small, having.skies, "With all masters"),
        )
    ]
