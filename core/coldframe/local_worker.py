"""Loaded first by each worker process of `--scheduler local`: Ctrl-C is the run's to act on."""

from __future__ import annotations

import signal
from typing import Any


def dask_setup(worker: Any) -> None:
    """Called by dask before the worker starts. The terminal sends Ctrl-C to workers too."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
