"""Binary PGM, 8 or 16 bits (Netpbm's pgm(5): big-endian samples, comments after #).

Facts about the exposure stand in a comment as JSON, since PGM has no place for them.
"""

import json
import re
from pathlib import Path

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo

HEADER = re.compile(rb"P5\s+(?:#([^\n]*)\n\s*)?(\d+)\s+(\d+)\s+(\d+)\s")


class PgmReader:
    name = "pgm"
    version = "1"
    about = "Grey PGM images, facts in their comment"
    suffixes = (".pgm",)

    def read_info(self, path):
        facts, (width, height, top), _ = self._header(path)
        info = FrameInfo(path=str(path), shape=(height, width), white=float(top), **facts)
        return [(info, facts)]

    def read_frame(self, info):
        path = Path(info.path)
        _, (width, height, top), start = self._header(path)
        samples = np.frombuffer(path.read_bytes()[start:], ">u2" if top > 255 else "u1")
        if samples.size != width * height:
            raise SetAside(f"{path.name} is cut short: {samples.size} of {width * height} samples")
        data = samples.reshape(height, width).astype(np.uint16)
        flags = np.where(data >= top, Flag.SATURATED, 0).astype(np.uint8)
        return Frame(data=data, flags=flags, info=info)

    def _header(self, path):
        with path.open("rb") as file:
            found = HEADER.match(file.read(4096))
        if not found:
            raise SetAside(f"{path.name} is not a binary PGM file")
        facts = json.loads(found[1]) if found[1] else {}
        return facts, tuple(int(n) for n in found.groups()[1:]), found.end()
