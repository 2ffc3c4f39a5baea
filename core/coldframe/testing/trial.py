"""What a conformance check works on: the step, sample frames, and what the author claims."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from coldframe.frame import Flag, Frame
from coldframe.step import Step
from coldframe.testing.running import Result, run_step


@dataclass(frozen=True)
class Trial:
    """One step with frames that it can use; see `check_step` for the claims."""

    step: type[Step]
    frames: Sequence[Frame]
    masters: Mapping[str, Frame] = field(default_factory=dict)
    params: Mapping[str, Any] = field(default_factory=dict)
    clears: Flag | int = 0
    moves_pixels: bool = False
    any_order: bool = False

    def run(
        self,
        frames: Sequence[Frame] | None = None,
        *,
        step: Step | None = None,
        bands: int = 1,
    ) -> Result:
        """What the step makes of the trial's frames, or of others."""
        return run_step(
            step or self.step,
            self.frames if frames is None else frames,
            masters=self.masters,
            params=self.params,
            bands=bands,
        )

    @cached_property
    def baseline(self) -> Result:
        """What comes out of the trial's own frames."""
        return self.run()
