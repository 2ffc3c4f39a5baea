"""What the writers share: options with their defaults, and a plain word for a short write."""

from __future__ import annotations

import errno
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from coldframe.product import atomic


def option(params: Mapping[str, Any], schema: Mapping[str, Mapping[str, Any]], name: str) -> Any:
    """The option as given, else its default."""
    return params.get(name, schema[name]["default"])


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """A temporary file that becomes `path` when all went well; see `coldframe.product.atomic`.

    Raises StoreError with the reason, also when a library only says that it wrote too little.
    """
    with atomic(path) as temporary:
        try:
            yield temporary
        except OSError as error:
            if error.errno is not None:
                raise
            raise OSError(errno.ENOSPC, f"the disk took only a part of it ({error})") from error
