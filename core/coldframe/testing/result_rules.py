"""Rules about what comes out of a step: types, shapes, numbers, flags, errors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from coldframe.frame import UNUSABLE, Array, Flag, Frame, FrameInfo
from coldframe.made_facts import wrong_facts
from coldframe.step import FrameStep, MeasureStep, StackStep
from coldframe.testing.trial import Trial


def works(trial: Trial) -> None:
    """The sample frames come through; else nothing that follows would tell anything."""
    result = trial.baseline
    assert not result.stopped, f"it stopped on the sample frames: {result.stopped}"
    through = len(trial.frames) - len(result.asides)
    assert through > len(trial.frames) / 2, (
        "most sample frames were set aside; pass frames=... that the step can use. "
        f"Reasons: {dict(result.asides)}"
    )


def output(trial: Trial) -> None:
    """Frames are float32 data and uint8 flags of one size, finite everywhere, with their facts."""
    result = trial.baseline
    check_frames(result.made)
    if issubclass(trial.step, FrameStep):
        for before, after in zip(trial.frames, result.frames, strict=True):
            if after is not None:
                assert after.info.path == before.info.path, (
                    f"{before.info.label}: info.path became '{after.info.path}'"
                )
                lost = before.history[: len(after.history)] != after.history[: len(before.history)]
                assert not lost, f"{before.info.label}: its history was replaced, not added to"


def columns(trial: Trial) -> None:
    """What it reports is what it declares, in finite numbers."""
    result, declared = trial.baseline, trial.step.columns
    told: dict[str, float] = {}
    for before, after in zip(trial.frames, result.measures, strict=True):
        told |= {name: value for name, value in after.items() if name not in before.measures}
    if issubclass(trial.step, StackStep):
        told |= {name: value for frame in result.made for name, value in frame.measures.items()}
    extra = sorted(set(told) - set(declared))
    assert not extra, f"it reports {', '.join(extra)}, which columns does not declare"
    if issubclass(trial.step, MeasureStep):
        missing = sorted(set(declared) - set(told))
        assert not missing, f"columns declares {', '.join(missing)}, which no sample frame got"
    for name, value in told.items():
        assert isinstance(value, float | int | np.floating | np.integer), (
            f"'{name}' is {type(value).__name__}, not a number"
        )
        assert np.isfinite(value), f"'{name}' is {value}; leave out what cannot be measured"


def facts(trial: Trial) -> None:
    """Facts say what the pixels are: their size, mosaic or colour, planes of the same size."""
    if not issubclass(trial.step, FrameStep):
        return
    for before, after in zip(trial.frames, trial.baseline.frames, strict=True):
        if after is None:
            continue
        wrong = [*wrong_facts(before, after, trial.step.flow)]
        assert not wrong, f"{before.info.label}: {'; '.join(wrong)}"
        assert before.data.ndim == after.data.ndim or trial.step.makes_colour, (
            f"{before.info.label}: a mosaic or mono frame became a colour frame; say makes_colour = "
            "True, so that room is kept for it"
        )


def flags(trial: Trial) -> None:
    """A flag that came in goes out, but for those that the author says are cleared."""
    result = trial.baseline
    said: list[str] = []
    if issubclass(trial.step, StackStep) and result.made:
        said = _stack_flag_faults(trial, result.made[0])
    elif issubclass(trial.step, FrameStep):
        pairs = zip(trial.frames, result.frames, strict=True)
        said = _flag_faults(trial, [(a, b) for a, b in pairs if b is not None])
    assert not said, "; ".join(said)


def unusable(trial: Trial) -> None:
    """The value of a pixel with NO_DATA or TRANSIENT has no influence on any other."""
    bad = [(f, (f.flags & UNUSABLE) != 0) for f in trial.frames]
    other = trial.run([f.with_pixels(np.where(m, np.float32(50), f.data)) for f, m in bad])
    baseline = trial.baseline
    said = "a pixel flagged NO_DATA or TRANSIENT changed"
    for one, two in zip(baseline.frames, other.frames, strict=True):
        assert (one is None) == (two is None), f"{said} whether a frame is set aside"
        if one is not None and two is not None:
            good = (one.flags & UNUSABLE) == 0
            assert np.array_equal(one.flags, two.flags), f"{said} flags"
            changed = np.argwhere((one.data != two.data) & good)
            assert not len(changed), f"{said} {len(changed)} others, one at {tuple(changed[0])}"
    assert baseline.measures == other.measures, f"{said} the numbers reported"


def bad_input(trial: Trial) -> None:
    """Hard frames give a sound result, or SetAside or StepError in words; nothing else."""
    for what, frames in _hard_frames(trial):
        if issubclass(trial.step, StackStep) and len(frames) < trial.step.min_frames:
            continue
        try:
            with np.errstate(all="ignore"):
                result = trial.run(frames)
        except Exception as error:
            raise AssertionError(
                f"{what}: {type(error).__name__}: {error}; raise SetAside for one frame, "
                "StepError for the run"
            ) from error
        reasons = [*result.asides.values(), *filter(None, [result.stopped])]
        for reason in reasons:
            assert len(reason.split()) > 2, f"{what}: '{reason}' does not say what is wrong"
        try:
            check_frames(result.made)
        except AssertionError as error:
            raise AssertionError(f"{what}: {error}") from None


def check_frames(frames: list[Frame]) -> None:
    """Raise AssertionError unless each frame is as the engine stores it."""
    for frame in frames:
        label = frame.info.label
        assert frame.data.dtype == np.float32, f"{label}: data is {frame.data.dtype}, not float32"
        assert frame.flags.dtype == np.uint8, f"{label}: flags are {frame.flags.dtype}, not uint8"
        for name, plane in {"data": frame.data, **frame.planes}.items():
            assert plane.shape[-2:] == frame.shape, f"{label}: plane '{name}' is {plane.shape}"
            wrong = _not_finite(plane)
            assert not wrong, (
                f"{label}: {wrong} pixels of '{name}' are NaN or infinite; write 0 and flag NO_DATA"
            )


def _flag_faults(trial: Trial, pairs: list[tuple[Frame, Frame]]) -> list[str]:
    """All flags that get lost, each with how often."""
    if not trial.moves_pixels:
        for before, after in pairs:
            if before.shape != after.shape:
                return [
                    f"{before.info.label}: {before.shape} became {after.shape}; say "
                    "moves_pixels=True"
                ]
    lost: list[str] = []
    for flag in Flag:
        if trial.clears & flag:
            continue
        had = [np.count_nonzero(before.flags & flag) for before, _ in pairs]
        if trial.moves_pixels:
            kept = [bool(np.any(after.flags & flag)) for _, after in pairs]
            gone = [0 if still else count for count, still in zip(had, kept, strict=True)]
        else:
            gone = [np.count_nonzero(before.flags & ~after.flags & flag) for before, after in pairs]
        if any(gone):
            frames = sum(1 for count in gone if count)
            lost.append(f"{flag.name} ({sum(gone)} of {sum(had)} pixels, in {frames} frames)")
    if not lost:
        return []
    return [f"it clears {', '.join(lost)}; keep flags, or say clears=... where it is meant"]


def _stack_flag_faults(trial: Trial, stack: Frame) -> list[str]:
    everywhere = np.bitwise_and.reduce([f.flags for f in trial.frames])
    said = []
    gone = (everywhere & UNUSABLE) != 0
    if np.any(gone & ((stack.flags & UNUSABLE) == 0)):
        said.append("pixels that no frame has data for come out without NO_DATA")
    full = (everywhere & Flag.SATURATED) != 0
    kept = (stack.flags & (Flag.SATURATED | UNUSABLE)) != 0
    if not trial.clears & Flag.SATURATED and np.any(full & ~kept):
        said.append("pixels saturated in every frame come out without SATURATED")
    return said


def _hard_frames(trial: Trial) -> Iterator[tuple[str, list[Frame]]]:
    frames = list(trial.frames)
    first = frames[0]

    def each(data: Array | None = None, flags: Array | None = None) -> list[Frame]:
        return [
            f.with_pixels(f.data if data is None else data, f.flags if flags is None else flags)
            for f in frames
        ]

    yield "one frame alone", [first]
    yield (
        "all pixels flagged NO_DATA",
        each(flags=np.full_like(first.flags, np.uint8(Flag.NO_DATA))),
    )
    yield (
        "one frame flagged NO_DATA",
        [
            first.with_pixels(first.data, np.full_like(first.flags, np.uint8(Flag.NO_DATA))),
            *frames[1:],
        ],
    )
    yield "all pixels saturated", each(flags=np.full_like(first.flags, np.uint8(Flag.SATURATED)))
    yield "every pixel 0", each(data=np.zeros_like(first.data))
    yield "negative values", each(data=first.data - np.float32(5000))
    if not trial.masters:
        small = [
            replace(
                f,
                data=np.ascontiguousarray(f.data[..., :6, :8]),
                flags=f.flags[:6, :8].copy(),
                planes={k: np.ascontiguousarray(v[..., :6, :8]) for k, v in f.planes.items()},
                info=replace(f.info, shape=(6, 8)),
            )
            for f in frames
        ]
        yield "frames of 6 x 8 px", small
    bare = [
        replace(f, info=FrameInfo(kind=f.info.kind, path=f.info.path, cfa=f.info.cfa))
        for f in frames
    ]
    yield "frames without facts (exposure, gain, temperature ... are None)", bare


def _not_finite(plane: Array) -> int:
    return int(np.count_nonzero(~np.isfinite(plane))) if plane.dtype.kind == "f" else 0
