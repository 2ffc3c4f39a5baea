"""Why each frame gets the masters it gets: every candidate ranked, like frames as one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from coldframe.facts import describe
from coldframe.frame import FrameInfo
from coldframe.planned import Item, Plan
from coldframe.serving import Served, serve


def explain(plan: Plan) -> list[dict[str, Any]]:
    """A JSON-ready row for each step, kind of master and group of frames alike.

    Frames are alike when they share kind, exposure, ISO or gain and filter, and the same masters
    are first and second for them. Temperatures and distances are then given as ranges, and the
    words are those of the frame that its master suits least.
    """
    out = []
    for step in plan.recipe.steps.values():
        if step.id not in plan.candidates:
            continue
        groups: dict[tuple[Any, ...], list[tuple[Item, Served]]] = {}
        for item in (item for name in step.sources for item in plan.flows[name]):
            for served in serve(item.info, plan.candidates[step.id], step.match, plan.shelf):
                groups.setdefault(_alike(item.info, served), []).append((item, served))
        out += [_row(step.id, members) for members in groups.values()]
    return out


def _alike(info: FrameInfo, served: Served) -> tuple[Any, ...]:
    first = [served.candidates[r.index].key for r in served.ranked[:2]]
    blend = served.blend and (served.blend.cold, served.blend.warm, served.blend.temperature)
    setting = (info.kind, info.exposure, info.iso, info.gain_setting, info.filter)
    return (served.kind, *setting, served.found.index, blend, *first)


def _row(step: str, members: Sequence[tuple[Item, Served]]) -> dict[str, Any]:
    item, worst = max(members, key=lambda m: m[1].ranked[0].total if m[1].ranked else 0.0)
    candidates = [
        {
            "rank": place + 1,
            "master": worst.candidates[r.index].name,
            "key": worst.candidates[r.index].key,
            "library": worst.candidates[r.index].library,
            "fits": r.fits,
            "total": round(r.total, 4),
            "distances": {name: round(d, 4) for name, d in r.distances.items()},
            "words": r.words,
        }
        for place, r in enumerate(worst.ranked)
    ]
    chosen: dict[str, Any] | None = None
    if worst.chosen is not None:
        chosen = candidates[0]
    elif worst.blend is not None:
        blend = worst.blend
        chosen = {
            "master": f"interpolated to {blend.temperature:.1f} °C",
            "of": [worst.candidates[i].key for i in (blend.cold, blend.warm)],
            "share_of_warmer": round(blend.weight, 4),
            "share_error": round(blend.weight_error, 4),
        }
    temperatures = [t for m, _ in members if (t := m.info.temperature) is not None]
    return {
        "step": step,
        "kind": worst.kind.value,
        "frames": len(members),
        "group": _group(item.info, temperatures),
        "files": [m.label for m, _ in members],
        "temperatures": [min(temperatures), max(temperatures)] if temperatures else None,
        "chosen": chosen,
        "why": worst.note if worst.chosen is None else worst.found.reason,
        "runner_up": candidates[1] if worst.chosen is not None and len(candidates) > 1 else None,
        "runner_up_words": _runner_up(worst, candidates),
        "candidates": candidates,
    }


def _group(info: FrameInfo, temperatures: Sequence[float]) -> str:
    words = describe(info, ("kind", "filter", "exposure", "iso", "gain_setting"))
    if not temperatures:
        return words
    low, high = min(temperatures), max(temperatures)
    span = f"{low:.1f}" if high - low < 0.05 else f"{low:.1f} to {high:.1f}"
    return f"{words} · {span} °C"


def _runner_up(served: Served, candidates: Sequence[dict[str, Any]]) -> str:
    if served.chosen is None:
        return ""
    if len(candidates) < 2:
        return "none: it is the only one"
    first, second = candidates[:2]
    if not second["fits"]:
        return f"{second['master']} does not fit: {second['words']}"
    if second["total"] > first["total"]:
        return (
            f"{second['master']}, farther: {second['total']:.2f} against {first['total']:.2f} "
            f"({second['words']})"
        )
    return f"{second['master']}, as near ({second['total']:.2f}), but farther in time or later"
