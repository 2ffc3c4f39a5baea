"""Which camera files there are, and what they add to what frames say of themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from coldframe.camera.file import CameraFile, Setting, load_camera
from coldframe.frame import FrameInfo


def cameras_folder() -> Path:
    """Where a user's camera files lie: every run reads those in it."""
    from platformdirs import user_config_path

    return user_config_path("coldframe") / "cameras"


def find_cameras(named: Sequence[Path] = ()) -> tuple[CameraFile, ...]:
    """Camera files named by the user, then those of the user's cameras folder by name.

    Raises UsageError or RecipeError for a file with faults.
    """
    folder = cameras_folder()
    kept = sorted(folder.glob("*.yaml")) if folder.is_dir() else []
    return tuple(load_camera(path) for path in (*named, *kept))


def files_of(info: FrameInfo, cameras: Sequence[CameraFile]) -> tuple[CameraFile, ...]:
    """Those of the camera files that are about this frame's camera and CFA."""
    return tuple(
        camera
        for camera in cameras
        if camera.camera == info.camera and not (info.cfa and camera.cfa and info.cfa != camera.cfa)
    )


def setting_of(info: FrameInfo, cameras: Sequence[CameraFile]) -> tuple[CameraFile, Setting] | None:
    """The first camera file that knows this frame's camera, CFA and setting, and that setting."""
    for camera in files_of(info, cameras):
        found = camera.setting_for(
            iso=info.iso, gain_setting=info.gain_setting, offset=info.offset, binning=info.binning
        )
        if found is not None:
            return camera, found
    return None


@dataclass(frozen=True, slots=True)
class Completed:
    """Frames with what camera files added, and a line for each file that added something."""

    frames: tuple[FrameInfo, ...]
    used: tuple[str, ...]


def complete(frames: Sequence[FrameInfo], cameras: Sequence[CameraFile]) -> Completed:
    """Fill in gain (e-/ADU), read noise (e-) and white level (ADU) that the frames do not say.

    What a frame's own header or the notes say always stands.
    """
    counts: dict[str, int] = {}
    out = []
    for info in frames:
        found = setting_of(info, cameras)
        if found is None:
            out.append(info)
            continue
        camera, setting = found
        facts: dict[str, Any] = {
            name: getattr(setting, name)
            for name in ("gain", "read_noise", "white")
            if getattr(info, name) is None and getattr(setting, name) is not None
        }
        if facts:
            where = camera.path or camera.camera
            counts[where] = counts.get(where, 0) + 1
        out.append(replace(info, **facts))
    return Completed(
        tuple(out),
        tuple(
            f"{Path(name).name} told gain, read noise or white level of {n} frames"
            for name, n in counts.items()
        ),
    )
