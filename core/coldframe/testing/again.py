"""Runs a pickled trial in this process and prints the digests of what comes out."""

from __future__ import annotations

import pickle
import sys
from pathlib import Path

from coldframe.testing.repeat_rules import brighter_frame
from coldframe.testing.trial import Trial


def main(file: str) -> None:
    """Run the trial in `file`, which `repeat_rules.processes` wrote."""
    trial: Trial = pickle.loads(Path(file).read_bytes())
    print(trial.run([brighter_frame(frame) for frame in trial.frames]).digest())
    print(trial.run().digest())


if __name__ == "__main__":
    main(sys.argv[1])
