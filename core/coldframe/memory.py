"""How much memory this process takes and has taken, as the operating system counts it.

Counted is resident memory: everything, with Python, compiled code and libraries. Where the system
does not tell, the figure is 0.
"""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path

_TRIM_THRESHOLD, _MMAP_MAX, _ARENA_MAX = -1, -4, -8  # malloc.h
_NEVER = (1 << 31) - 1

_STATUS = Path("/proc/self/status")


def peak_memory() -> int:
    """The most bytes this process has had resident at once (Linux, macOS).

    Source: proc_pid_status(5), VmHWM; getrusage(2), ru_maxrss, elsewhere.
    """
    # The kernel brings its mark up to date now and then only. getrusage would also count what
    # the process had before it became this program.
    return max(_told("VmHWM:"), _told("VmRSS:")) or _maxrss("RUSAGE_SELF")


def peak_of_children() -> int:
    """The most bytes that any one finished child process (such as a worker) had resident."""
    return _maxrss("RUSAGE_CHILDREN")


def current_memory() -> int:
    """Bytes resident now; the peak where the system does not tell."""
    return _told("VmRSS:") or peak_memory()


def reuse_freed_memory() -> None:
    """Have arrays that are let go leave their memory to the next ones (glibc; else nothing).

    The C library gives the memory of each large array back to the system as soon as it is freed,
    and the system clears every page of the next one anew: a tenth of the time of a whole job on
    frames of 24 megapixels. The process stays as large as it ever was, so this is for runs that
    were given memory in plenty. Source: mallopt(3).
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    for option, value in ((_TRIM_THRESHOLD, _NEVER), (_MMAP_MAX, 0), (_ARENA_MAX, 1)):
        mallopt(option, value)


def bytes_text(count: float) -> str:
    """Bytes for people, in binary units."""
    for unit in ("B", "KiB", "MiB", "GiB"):
        if count < 1024 or unit == "GiB":
            return f"{count:.0f} {unit}" if unit in ("B", "KiB") else f"{count:.1f} {unit}"
        count /= 1024
    raise AssertionError


def _told(name: str) -> int:
    try:
        lines = _STATUS.read_text().splitlines()
        return next(int(line.split()[1]) << 10 for line in lines if line.startswith(name))
    except (OSError, StopIteration, ValueError, IndexError):
        return 0


def _maxrss(who: str) -> int:
    try:
        import resource
    except ImportError:
        return 0
    peak = resource.getrusage(getattr(resource, who)).ru_maxrss
    return peak if sys.platform == "darwin" else peak << 10  # macOS tells bytes, others KiB
