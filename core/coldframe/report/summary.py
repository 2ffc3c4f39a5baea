"""The top of the report: what happened, in plain words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from coldframe.cautions import IN_REPORT
from coldframe.facts import describe, exposure_text
from coldframe.report.blocks import Block, Bullets, Figure, Figures, Part, Text
from coldframe.report.figures import changes, depth
from coldframe.report.findings import (
    exposure,
    lights,
    missing_masters,
    reasons,
    results,
    worst_uses,
)
from coldframe.report.noise import NoiseFigures, noise_figures
from coldframe.report.numbers import count, duration, listing, number
from coldframe.report.record import FrameRecord, RunRecord
from coldframe.report.tables import distances

FAR = 1.0
"""Tolerances away in all from which another master is worth shooting."""

_MOST_NAMES = 4
_MOST_REASONS = 5
_SETTING = ("camera", "gain_setting", "iso", "offset", "exposure")
_FLAT_SETTING = ("camera", "optics", "filter")


def summary(record: RunRecord) -> Part:
    """Lights used, exposure, noise, what was set aside, which masters are missing."""
    used = [frame for frame in lights(record) if frame.used]
    noises = [noise_figures(result.stack, lights(record)) for result in results(record)]
    blocks: list[Block] = [Text(_lead(record, used), "lead"), Figures(_figures(record, noises))]
    sentences = [
        *_noise(noises),
        *_deeper(record),
        *_masters(record),
        *_calibration(record),
        *_aside(record),
        _recipe(record),
    ]
    if record.costs:
        blocks.append(Bullets(record.costs, "What missing or ill-fitting masters cost", "warnings"))
    blocks.append(Bullets(sentences))
    wanted = to_shoot(record)
    if wanted:
        blocks.append(Bullets([*wanted, IN_REPORT], "To shoot on the next cloudy night"))
    if record.warnings:
        blocks.append(Bullets(record.warnings, "Warnings", "warnings"))
    return Part("Summary", 0, blocks)


def _lead(record: RunRecord, used: Sequence[FrameRecord]) -> str:
    every = lights(record)
    if not every:
        return "No light frames were found."
    if not used and len(every) == 1:
        return "The only light could not be used."
    if not used:
        return f"None of the {len(every)} lights could be used."
    total = exposure(used)
    verb = "is" if len(used) == 1 else "are"
    text = f"{len(used)} of {count(len(every), 'light')} {verb} in the result"
    if total is None:
        return f"{text}. Their exposure is not recorded."
    return f"{text}: {duration(total)} of exposure ({exposures(used)})."


def exposures(frames: Sequence[FrameRecord]) -> str:
    """How lights were exposed, such as "36 × 120 s"."""
    tally = Counter(f.info.exposure for f in frames if f.info.exposure is not None)
    return " + ".join(f"{many} × {exposure_text(time)}" for time, many in sorted(tally.items()))


def _figures(record: RunRecord, noises: Sequence[NoiseFigures]) -> list[Figure]:
    every = lights(record)
    used = [frame for frame in every if frame.used]
    figures = [
        Figure("Lights used", f"{len(used)} of {len(every)}"),
        Figure("Exposure", duration(exposure(used))),
        Figure("Run time", duration(record.elapsed)),
    ]
    if len(noises) == 1:
        only = noises[0]
        share = "" if only.share is None else f"{number(100 * only.share, 3)}% of {possible(only)}"
        figures[2:2] = [
            Figure("Noise of the stack", number(only.stacked, 3), "ADU" if only.stacked else ""),
            Figure("Less noise than one light", number(only.improvement, 3), "times", share)
            if only.improvement
            else Figure("Less noise than one light", "–"),
        ]
    return figures


def _aside(record: RunRecord) -> list[str]:
    aside = [frame for frame in record.frames if not frame.used]
    if not aside:
        return ["No frame was set aside."] if record.frames else []
    sentences = []
    every = reasons(record.frames)
    for reason, frames in list(every.items())[:_MOST_REASONS]:
        kinds = Counter(frame.info.kind.value if frame.info.kind else "frame" for frame in frames)
        who = listing(count(n, kind, _plural(kind)) for kind, n in kinds.items())
        sentences.append(f"{who} set aside: {reason.rstrip('.')} ({_names(frames)}).")
    rest = [frame for frames in list(every.values())[_MOST_REASONS:] for frame in frames]
    if rest:
        sentences.append(
            f"{count(len(rest), 'more frame')} set aside for other reasons, listed below."
        )
    return sentences


def _plural(kind: str) -> str:
    return "biases" if kind == "bias" else kind + "s"


def _names(frames: Sequence[FrameRecord]) -> str:
    names = [frame.info.label for frame in frames]
    if len(names) <= _MOST_NAMES:
        return listing(names)
    return f"{', '.join(names[: _MOST_NAMES - 1])} and {len(names) - _MOST_NAMES + 1} more"


def _noise(noises: Sequence[NoiseFigures]) -> list[str]:
    return [_noise_sentence(f, f"{f.stack.label}: " if len(noises) > 1 else "") for f in noises]


def possible(f: NoiseFigures) -> str:
    """What the improvement is held against, in words."""
    if f.possible is None:
        return f"what {f.frames} equal lights give (√{f.frames} = {number(f.root_n, 3)})"
    return f"the best possible for these lights ({number(f.possible, 3)} times)"


def _noise_sentence(f: NoiseFigures, start: str) -> str:
    if f.frames == 1:
        return f"{start}There was only one light, so nothing was averaged."
    if f.improvement is None or f.share is None:
        return f"{start}The noise of the stack next to one light is not known: it was not measured."
    text = (
        f"{start}The stack has {number(f.stacked, 3)} ADU of noise where one light has "
        f"{number(f.single, 3)} ADU: {number(f.improvement, 3)} times less. "
        f"That is {number(100 * f.share, 3)}% of {possible(f)}."
    )
    if f.over_best is not None:
        text += (
            f" The best possible is {number(f.best, 3)} ADU; "
            f"the stack has {number(f.over_best, 3)} times that."
        )
    return text


def _deeper(record: RunRecord) -> list[str]:
    """What half of the noise would take."""
    found = depth(record)
    needed = found.needed(found.noise[-1] / 2) if found else None
    if found is None or found.lights < 2:
        return []
    if needed is None:
        return ["Half of that noise is out of reach: the masters' own noise is above it."]
    more = needed - found.lights
    time = f", {duration(more * found.exposure)} of exposure" if found.exposure else ""
    return [
        f"Half of that noise, 0.75 mag deeper, takes {count(more, 'more light')}{time}. {IN_REPORT}"
    ]


def _calibration(record: RunRecord) -> list[str]:
    """What was taken away, in one sentence."""
    parts = [
        f"{change.name.lower()}, {change.words}"
        for change in changes(record)
        if change.kind in ("dark", "flat", "background")
    ]
    return [f"What calibration and background fit did: {'; '.join(parts)}."] if parts else []


def _masters(record: RunRecord) -> list[str]:
    missing = missing_masters(record)
    used = sum(frame.used for frame in lights(record))
    if not used:
        return []
    sentences = [
        f"No master {kind} was at hand"
        + ("." if len(frames) == used else f" for {count(len(frames), 'light')}.")
        for kind, frames in missing.items()
    ]
    kinds = sorted({use.kind for f in lights(record) if f.used for use in f.masters})
    if kinds:
        sentences.append(f"Calibrated with {listing(f'master {kind}' for kind in kinds)}.")
    elif not missing:
        sentences.append("The recipe uses no masters: the lights were not calibrated.")
    return sentences


def _recipe(record: RunRecord) -> str:
    why = f" ({record.why_recipe})" if record.why_recipe else ""
    about = f": {record.about}" if record.about else ""
    return f"Recipe {record.recipe}{why}{about}."


def to_shoot(record: RunRecord) -> list[str]:
    """Calibration frames that would help, from what is missing and what fits badly."""
    sentences = []
    for kind, frames in missing_masters(record).items():
        for setting in _settings(kind, frames):
            sentences.append(f"{_plural(kind).capitalize()}: {setting}.")
    labels = {master.id: master.label for master in record.masters}
    for product, (frame, use) in worst_uses(record).items():
        if use.total > FAR:
            sentences.append(
                f"A closer match than {labels.get(product, product)}: for {frame.info.label} it is "
                f"{number(use.total, 2)} tolerances away ({use.note or distances(use)})."
            )
    return sentences


def _settings(kind: str, frames: Sequence[FrameRecord]) -> list[str]:
    """The settings to shoot with; temperatures as a range, since no two lights agree."""
    names: tuple[str, ...] = _FLAT_SETTING if kind == "flat" else _SETTING
    if kind == "bias":
        names = tuple(name for name in names if name != "exposure")
    if kind == "dark-flat":
        return ["with the flats' own exposure and setting"]
    groups: dict[str, list[float]] = {}
    for frame in frames:
        known = groups.setdefault(describe(frame.info, names), [])
        if frame.info.temperature is not None:
            known.append(frame.info.temperature)
    out = []
    for setting, degrees in groups.items():
        if kind == "dark" and degrees:
            low, high = number(min(degrees), 3), number(max(degrees), 3)
            setting += f" · {low} °C" if low == high else f" · {low} to {high} °C"
        out.append(setting)
    return out
