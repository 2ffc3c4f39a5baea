"""Folders that commands outside a run look into."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coldframe.cli.show import tell
from coldframe.errors import UsageError

if TYPE_CHECKING:
    from coldframe.night import NightScan
    from coldframe.plugins import Registry


camera_option = click.option(
    "--camera", "cameras", multiple=True, metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Camera file. [default: those of the cameras folder]",
)  # fmt: skip


def scan_folders(
    folders: Sequence[Path], registry: Registry, patterns: Mapping[str, Sequence[str]] | None = None
) -> NightScan:
    """The frames in folders. Raises UsageError when there are none that can be used."""
    from coldframe.cli.counting import Counting
    from coldframe.night import scan

    with Counting() as counting:
        found = scan(
            folders,
            registry.readers,
            registry.fix_metadata,
            patterns=patterns or {},
            watch=counting.show,
        )
    if not found.frames:
        reasons = "".join(f"\n  {label}: {why}" for label, why in found.set_aside)
        raise UsageError(f"no usable frame in {', '.join(map(str, folders))}{reasons}")
    for warning in (*found.warnings, *registry.faults.take()):
        tell(f"warning: {warning}")
    return found


def patterns_of(kinds: Sequence[str]) -> dict[str, list[str]]:
    """KIND=GLOB pairs as the scan takes them. Raises UsageError for what is none."""
    from coldframe.frame import Kind

    out: dict[str, list[str]] = {}
    names = [kind.value for kind in Kind]
    for text in kinds:
        kind, equals, glob = text.partition("=")
        if not equals or not glob or kind not in names:
            raise UsageError(f"--kind {text}: write KIND=GLOB, KIND one of {', '.join(names)}")
        out.setdefault(kind, []).append(glob)
    return out
