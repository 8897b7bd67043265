"""Giving memory back: glibc keeps what a round used, and a service that mostly waits should be small."""

from __future__ import annotations

import ctypes
import gc
import sys


def give_memory_back() -> None:
    """Hand freed pages back to the system, where its C library can (Linux with glibc); elsewhere do nothing."""
    gc.collect()
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
