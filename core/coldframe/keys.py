"""Store keys of many products: what they have in common is turned to text once, not each time."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from coldframe.store import FORMAT


def text_of(*parts: Any) -> str:
    """The parts' canonical JSON, as it stands inside a key's text."""
    return ",".join(
        json.dumps(part, sort_keys=True, separators=(",", ":"), default=str) for part in parts
    )


def quoted(*names: str) -> str:
    """The same for names that need no escapes, such as keys."""
    return '"' + '","'.join(names) + '"'


def key_of(*texts: str) -> str:
    """The key that `store.product_key` gives for the parts whose texts these are."""
    text = f'["{FORMAT}",{",".join(texts)}]'
    return hashlib.blake2b(text.encode(), digest_size=20).hexdigest()
