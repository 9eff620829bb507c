"""How many threads may decode and follow in this process: all cores, or fewer where it shares them.

A process that measures one of many clips beside others is told to keep to one: more would only
wait for each other. What is read and measured does not depend on it.
"""

from __future__ import annotations

import os

import cv2

_most: int | None = None


def keep_to(threads: int | None) -> None:
    """From now on use at most so many threads in this process; None takes the limit away."""
    global _most
    _most = None if threads is None else max(1, threads)
    cv2.setNumThreads(_most or -1)  # -1: as many as it would take by itself


def cores_to_use() -> int:
    """Cores that this process may keep busy."""
    return _most or os.cpu_count() or 1
