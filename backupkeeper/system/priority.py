"""Letting others go first: the scheduling of this process, passed through."""

import contextlib
import sys

import psutil

NICE = 10


def lower_priority() -> None:
    """Read and compute only when nobody else wants to; where that is not allowed, go on as it is."""
    process = psutil.Process()
    if sys.platform == "linux":
        with contextlib.suppress(psutil.Error, OSError):
            process.ionice(psutil.IOPRIO_CLASS_IDLE)
    with contextlib.suppress(psutil.Error, OSError):
        process.nice(max(NICE, process.nice()))
