"""The errors a person may see. Each message says what is wrong, where, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


class ColdframeError(Exception):
    """The work failed (exit code 1). The message is one a photographer can act on."""

    exit_code = 1

    def told(self) -> str:
        """What the terminal shows."""
        return f"coldframe: {self}"


class UsageError(ColdframeError):
    """The command or the recipe was given wrongly (exit code 2)."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a text file, with its place (1-based line and column; line 0: no place)."""

    file: str
    line: int
    column: int
    message: str

    def __str__(self) -> str:
        place = f":{self.line}:{self.column}" if self.line else ""
        return f"{self.file}{place}: {self.message}"


class RecipeError(UsageError):
    """Every fault found in a recipe or notes file, all at once."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__(tuple(problems))
        self.problems = tuple(problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)

    def told(self) -> str:
        """Without a name in front: editors and terminals go to FILE:LINE:COLUMN at a line's start."""
        return str(self)


class SetAside(ColdframeError):  # noqa: N818 - it is an outcome, not a failure of the run
    """Raised by a reader or step about one frame: the frame is left out, the run goes on."""


class StepError(ColdframeError):
    """Raised by a step that cannot go on for any frame: the run stops with this message."""


class StoreError(ColdframeError):
    """The product store cannot be read or written."""


class DamagedError(StoreError):
    """A stored product is gone, cut short or not what was written; it can be made again."""

    def __init__(self, message: str, path: Path) -> None:
        super().__init__(message, path)
        self.path = path

    def __str__(self) -> str:
        return str(self.args[0])


class SourceError(StoreError):
    """A source frame is gone, or no longer what it was when it was scanned."""


class PluginError(ColdframeError):
    """A plugin is broken. The message names the plugin, the hook and what went wrong."""
