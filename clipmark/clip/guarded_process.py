"""A process of its own for work that a broken file may crash or hang: started, watched, ended.

The process is a fresh Python, never a fork of this one (a fork of a program with threads may
stand still for ever). What it may use is bounded in the process itself by the operating system;
how long it gives nothing is seen from here, by counters in shared memory.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from clipmark.clip.guarded_wire import GoneError, SharedMemory, receive, send
from clipmark.clip.native import COUNTERS_BYTES, Onlooker
from clipmark.errors import DecoderError

CAN_GUARD = os.name == "posix"  # elsewhere work is done in this process, unguarded
_LOOK_S = 0.25
_START_S = 60.0
_END_S = 5.0  # a process told to end, or whose line broke, is given so long to be gone
_BEGIN = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from clipmark.clip.guarded_child import main; main(*map(int, sys.argv[2:]))"
)
_CRASHES = {
    signal.SIGSEGV: "reached for memory that is not its own",
    signal.SIGBUS: "reached for memory that is not there",
    signal.SIGABRT: "gave itself up",
    signal.SIGILL: "met an instruction that does not exist",
    signal.SIGFPE: "divided by nothing",
}
_OTHERWISE = "copy it from the camera again, or have a copy converted to H.264"


@dataclass(frozen=True)
class Limits:
    """What work on one clip may use.

    Attributes
    ----------
    memory_bytes : int
        Address space on top of what the process has once it is loaded; enforced on Linux.
    stall_s : float
        One call into the decoder that has not come back for so long hangs.
    quiet_s : float
        Nothing at all from the decoder for so long, while something is computed, is a hang too.
        Work that goes on frame by frame is never ended, however long it takes.
    cpu_s : float
        Processor time, the last resort.
    """

    memory_bytes: int = 6_000_000_000
    stall_s: float = 15.0
    quiet_s: float = 900.0
    cpu_s: float = 4 * 3600.0


class GuardedProcess:
    """One process with its line and its counters.

    Parameters
    ----------
    limits : Limits
        How long it may give nothing; the rest is set by the process itself.
    memory : SharedMemory, optional
        Further memory that both sides see.

    Raises
    ------
    OSError
        If no process can be started.
    """

    def __init__(self, limits: Limits, memory: SharedMemory | None = None) -> None:
        self.limits = limits
        self._counters = SharedMemory(COUNTERS_BYTES)
        self._look = memoryview(self._counters.view)
        self.onlooker = Onlooker(self._look)
        self._line, other = socket.socketpair()
        self._ready = selectors.DefaultSelector()
        self._ready.register(self._line, selectors.EVENT_READ)
        self._let_gone = self._stands_ready = False
        handles = [other.fileno(), self._counters.handle]
        handles += [] if memory is None else [memory.handle]
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _BEGIN, json.dumps(sys.path), *map(str, handles)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=handles,
            )
        except BaseException:
            self._let_go()
            raise
        finally:
            other.close()

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process.poll() is None

    def post(self, message: object) -> None:
        """Send it a message, once it stands ready; raises `GoneError` when it has ended."""
        if self._let_gone:
            raise GoneError
        if not self._stands_ready:
            if not self._ready.select(_START_S):
                raise GoneError
            receive(self._line)
            self._stands_ready = True
        self.onlooker.begin()
        send(self._line, message)

    def wait(self, about: str, still: Callable[[], None] = lambda: None) -> Any:
        """Its next message.

        Parameters
        ----------
        about : str
            Name of the clip, for the sentence.
        still : callable
            Called now and then while nothing comes; what it raises ends the waiting.

        Raises
        ------
        DecoderError
            If it crashed, hung or passed its limits; it has then been ended.
        """
        if self._let_gone:
            raise self.died(about)
        while not self._ready.select(_LOOK_S):
            still()
            self._end_if_hung(about)
        try:
            return receive(self._line)
        except GoneError:
            raise self.died(about) from None

    def died(self, about: str) -> DecoderError:
        """The refusal for a process that has ended, or does so now."""
        try:
            code = self._process.wait(_END_S)
        except subprocess.TimeoutExpired:
            code = 0
        self.kill()
        return DecoderError(f"{about} {_why_it_ended(code, self.limits)}")

    def kill(self) -> None:
        """End it at once; may be called twice."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._let_go()

    def close(self) -> None:
        """Let it end by itself, since nobody asks it any more; at worst it is killed."""
        self._line.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_END_S)
        self.kill()

    def _end_if_hung(self, about: str) -> None:
        still_s, in_call = self.onlooker.still_s()
        limits = self.limits
        if in_call and still_s > limits.stall_s:
            self.kill()
            raise DecoderError(
                f"{about} made the video decoder hang: it gave nothing for {still_s:.0f} s and was "
                f"ended; {_OTHERWISE}, or, where only the disk is slow, copy it to this computer"
            )
        if still_s > limits.quiet_s:
            self.kill()
            raise DecoderError(
                f"{about} was worked on for {still_s:.0f} s without any progress, and the work was "
                "ended; measure a shorter span of it, or allow more time"
            )

    def _let_go(self) -> None:
        if self._let_gone:
            return
        self._let_gone = True
        self._ready.close()
        self._line.close()
        self.onlooker.release()
        self._look.release()
        self._counters.close()


def _why_it_ended(code: int, limits: Limits) -> str:
    """What an exit status says, after the name of the clip."""
    if -code in _CRASHES:
        name = signal.Signals(-code).name
        return (
            f"crashed the process that was reading it ({name}: it "
            f"{_CRASHES[signal.Signals(-code)]}), and only this clip is affected; {_OTHERWISE}"
        )
    if code == -signal.SIGXCPU:
        return (
            f"used up the {limits.cpu_s / 60:.0f} minutes of processor time that one clip may "
            "take, and was given up; measure a shorter span of it, or allow more time"
        )
    if code == -signal.SIGKILL:
        return (
            "was being read when the reading process was ended from outside, most likely because "
            "the computer had no memory left; close other programs and try again"
        )
    return (
        f"was being read when the reading process ended by itself (status {code}), and only this "
        f"clip is affected; {_OTHERWISE}"
    )
