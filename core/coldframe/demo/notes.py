"""The notes that a careful photographer would have written about the invented night."""

from __future__ import annotations

from coldframe.demo.truth import Shot, Truth

_EVERY = 15 * 60  # s between two looks at the thermometer


def night_notes(truth: Truth) -> str:
    """The text of notes.yaml, in the format that `coldframe.notes` reads."""
    lines = [
        "# Simulated: this night, its camera and its sky are invented by the Coldframe demo.",
        f"target: {truth.target}",
        f"optics: {truth.optics.name}",
    ]
    if truth.kind == "colour":
        lines += [
            "filter: clear",
            "temperatures:  # the camera records none; read off a probe on its back",
        ]
        lines += [f"  - {{time: {when}, celsius: {value}}}" for when, value in _readings(truth)]
    return "\n".join(lines) + "\n"


def read_me(truth: Truth) -> str:
    """The text of README.txt."""
    return (
        "SIMULATED FRAMES\n\n"
        f"These {len(truth.shots)} frames were made by a physical model of an image sensor and an\n"
        "invented sky. No real camera, star catalogue or photograph went into them.\n"
        f"Camera: {truth.camera.name}. Target: {truth.target}. Seed: {truth.seed}.\n"
        "What is true of them is in the JSON file beside this folder.\n"
    )


def _readings(truth: Truth) -> list[tuple[str, float]]:
    """The thermometer by time: at the start and end of each session and in between."""
    out: list[tuple[str, float]] = []
    last: Shot | None = None
    noted = 0.0
    for shot in truth.shots:
        since = (shot.start - last.start).total_seconds() if last else float("inf")
        if last is not None and since > 3600:
            out.append(_reading(last))  # the end of the session before
        if last is None or since > 3600 or shot.start.timestamp() - noted > _EVERY:
            out.append(_reading(shot))
            noted = shot.start.timestamp()
        last = shot
    if last is not None:
        out.append(_reading(last))
    return out


def _reading(shot: Shot) -> tuple[str, float]:
    return shot.start.isoformat(timespec="minutes"), round(2 * shot.temperature) / 2
