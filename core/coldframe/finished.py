"""A finished run's manifest, read back from its output folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from coldframe.errors import UsageError
from coldframe.night_files import MANIFEST


def read_manifest(folder: Path) -> dict[str, Any]:
    """What a finished run tells of itself.

    Raises UsageError when the folder is not of a finished run.
    """
    try:
        told: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except FileNotFoundError:
        what = "is not there" if not folder.exists() else f"is not a run's output: no {MANIFEST}"
        raise UsageError(f"{folder} {what}; name a folder that 'coldframe run' wrote") from None
    except (OSError, ValueError) as error:
        raise UsageError(f"{folder / MANIFEST} cannot be read: {error}") from None
    if told.get("state") != "done":
        raise UsageError(
            f"{folder} holds a run that has not finished; run the same command again first"
        )
    return told
