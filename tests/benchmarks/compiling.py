"""Run the main job on a small invented night, and print the seconds that compiling took.

For use with an empty NUMBA_CACHE_DIR, in a process of its own. Processor seconds of the threads
that compile are counted, once where one function has another compiled.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from pathlib import Path

from numba.core import event


class Stopwatch(event.Listener):  # type: ignore[misc]
    """Adds up the outermost of nested compilations."""

    def __init__(self) -> None:
        self.total = 0.0
        self.here = threading.local()

    def on_start(self, _: event.Event) -> None:
        depth = getattr(self.here, "depth", 0)
        if depth == 0:
            self.here.start = time.thread_time()
        self.here.depth = depth + 1

    def on_end(self, _: event.Event) -> None:
        self.here.depth -= 1
        if self.here.depth == 0:
            self.total += time.thread_time() - self.here.start


def main() -> int:
    from coldframe.cli.main import main as coldframe

    watch = Stopwatch()
    with tempfile.TemporaryDirectory() as folder, event.install_listener("numba:compile", watch):
        night = Path(folder) / "night"
        for words in (
            ["demo", str(night), "--size", "tiny", "--only-make"],
            ["run", str(night), "-o", str(Path(folder) / "out"), "--no-library"],
        ):
            sys.argv = ["coldframe", *words]
            try:
                code = coldframe()
            except SystemExit as end:
                code = end.code
            if code:
                return 1
    print(watch.total)
    return 0


if __name__ == "__main__":
    sys.exit(main())
