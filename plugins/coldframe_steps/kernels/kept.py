"""Where compiled kernels are kept: in a folder that no other version of these sources uses.

Numba's cache on disk looks at the time of the file that holds a kernel, not at the files of the
kernels it calls: after an upgrade a kept caller could run with another version's callee in it.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path


def keep_apart() -> None:
    """Name the folder to numba by NUMBA_CACHE_DIR, unless the user did."""
    if "NUMBA_CACHE_DIR" in os.environ:
        return
    from platformdirs import user_cache_path

    digest = hashlib.blake2b(digest_size=8)
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.name.encode() + source.read_bytes())
    folder = user_cache_path("coldframe", appauthor=False) / f"kernels-{digest.hexdigest()}"
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    if "numba" in sys.modules:
        from numba.core import config

        config.reload_config()
