"""Scores every stack of a finished run on the invented night."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from coldframe.demo.score import score
from coldframe.demo.truth import Truth
from coldframe.errors import StepError
from coldframe.frame import Frame
from coldframe.report.record import ProductRecord, RunRecord


def score_run(
    record: RunRecord, truth: Truth, *, stack: str = "integrate", final: str = "background-fit"
) -> dict[str, dict[str, float]]:
    """Compare each stack that a run made with the truth: numbers by the stack's label.

    Of several nights (see `truth.together`) the stacks of all together are scored.

    Parameters
    ----------
    stack, final : the steps (as in a recipe's `use:`) that make the integrated stack and fit its
        background. A run without the latter is scored without it.

    Raises
    ------
    StepError
        The run made no stack, a stack's pixels are gone, or it is not of this night.
    """
    stacks = _widest([p for p in record.products if p.uses == stack])
    if not stacks:
        raise StepError(f"the run made no product of a step '{stack}' to compare with the truth")
    return {p.label: _score(record, truth, p, final) for p in stacks}


def _widest(stacks: Sequence[ProductRecord]) -> list[ProductRecord]:
    """Without those whose frames are all in a larger one: a night's own beside that of all."""
    sets = [frozenset(p.frames) for p in stacks]
    return [
        p for p, own in zip(stacks, sets, strict=True) if not any(own < other for other in sets)
    ]


def _score(record: RunRecord, truth: Truth, product: ProductRecord, final: str) -> dict[str, float]:
    frames = {f.id: f for f in record.frames}
    members = [frames[name] for name in product.frames]
    names = [f.info.path.rsplit("/", 1)[-1] for f in members]
    measured = dict(zip(names, (f.measures for f in members), strict=True))
    finished = [p for p in record.products if p.uses == final and p.frames == product.frames]
    return score(
        _pixels(record, product),
        _pixels(record, finished[0]) if finished else None,
        truth,
        names,
        _column(measured, "weight"),
        scales=_column(measured, "flux_scale"),
    )


def _column(rows: Mapping[str, Mapping[str, float]], name: str) -> dict[str, float] | None:
    """One measure of every frame; None when a frame lacks it."""
    if not all(name in row for row in rows.values()):
        return None
    return {frame: row[name] for frame, row in rows.items()}


def _pixels(record: RunRecord, product: ProductRecord) -> Frame:
    frame = record.read(product.id)
    if frame is None:
        raise StepError(f"the pixels of {product.label} are no longer in the store; run it again")
    return frame
