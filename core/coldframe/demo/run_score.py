"""Scores every stack of a finished run on the invented night."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coldframe.demo.score import score
from coldframe.demo.truth import Truth
from coldframe.errors import StepError
from coldframe.frame import Frame
from coldframe.report.record import ProductRecord, RunRecord


@dataclass(frozen=True, slots=True)
class StackScore:
    """The numbers of `coldframe.demo.score.COLUMNS` for one stack."""

    label: str
    scores: Mapping[str, float]


def score_run(
    record: RunRecord, truth: Truth, *, stack: str = "stack", final: str = "final"
) -> list[StackScore]:
    """Compare each stack that a run made with the truth.

    Parameters
    ----------
    stack, final : recipe step ids of the integrated stack and of the background fit. A run whose
        recipe has no step `final` is scored without it.

    Raises
    ------
    StepError
        The run made no stack, a stack's pixels are gone, or it is not of this night.
    """
    stacks = [p for p in record.products if p.step == stack]
    if not stacks:
        raise StepError(f"the run made no product of a step '{stack}' to compare with the truth")
    return [StackScore(p.label, _score(record, truth, p, final)) for p in stacks]


def _score(record: RunRecord, truth: Truth, product: ProductRecord, final: str) -> dict[str, float]:
    members = [f for f in record.frames if f.id in set(product.frames)]
    names = [f.info.path.rsplit("/", 1)[-1] for f in members]
    measured = dict(zip(names, (f.measures for f in members), strict=True))
    weighted = all("weight" in m for m in measured.values())
    weights = {name: m["weight"] for name, m in measured.items()} if weighted else None
    # Fluxes were brought to those of the frame that itself was multiplied by one.
    unscaled = [n for n, m in measured.items() if abs(m.get("flux_scale", 0.0) - 1) < 1e-9]
    finished = [
        p for p in record.products if p.step == final and set(p.frames) == set(product.frames)
    ]
    return score(
        _pixels(record, product),
        _pixels(record, finished[0]) if finished else None,
        truth,
        names,
        weights,
        scale_frame=unscaled[0] if unscaled else None,
    )


def _pixels(record: RunRecord, product: ProductRecord) -> Frame:
    frame = record.read(product.id)
    if frame is None:
        raise StepError(f"the pixels of {product.label} are no longer in the store; run it again")
    return frame
