"""Bounds on what a client may send: how often, and how much at once."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable

from starlette.exceptions import HTTPException
from starlette.types import Message, Receive

CLIENTS_KEPT = 1_000
JSON_BYTES = 2_000_000
UPLOAD_BYTES = 32_000_000_000
TOO_LARGE = (
    f"the request is too large: at most {JSON_BYTES // 1_000_000} MB, and "
    f"{UPLOAD_BYTES // 1_000_000_000} GB for a clip; put larger clips into the clips folder by hand"
)


class Rate:
    """A token bucket for each client: `burst` at once, `per_s` in the long run.

    Parameters
    ----------
    per_s : float
        Tokens that come back each second.
    burst : float
        Tokens a client starts with, and can have at most.
    clock : callable
        Seconds, never going back.
    """

    def __init__(
        self, per_s: float, burst: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._per_s, self._burst, self._clock = per_s, burst, clock
        self._lock = threading.Lock()
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, client: str, cost: float = 1.0) -> float:
        """Take tokens; 0 when there were enough, else the seconds to wait."""
        now = self._clock()
        with self._lock:
            left, then = self._left.pop(client, (self._burst, now))
            left = min(self._burst, left + (now - then) * self._per_s)
            enough = left >= cost
            self._left[client] = (left - cost if enough else left, now)
            if len(self._left) > CLIENTS_KEPT:
                self._left.popitem(last=False)
        return 0.0 if enough else (cost - left) / self._per_s


class BodyTooLargeError(HTTPException):
    """More came in than was announced or is allowed; raised into the application."""

    def __init__(self) -> None:
        super().__init__(413, TOO_LARGE)


def counted(receive: Receive, limit_bytes: int) -> Receive:
    """`receive`, raising `BodyTooLargeError` once a body has passed `limit_bytes`."""
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > limit_bytes:
                raise BodyTooLargeError
        return message

    return bounded
