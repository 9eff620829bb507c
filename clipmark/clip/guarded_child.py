"""The inside of a guarded worker: takes work from its line, bounds itself, answers.

Nothing here is called by anybody but the process that `guarded_process` starts.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import pickle
import resource
import signal
import socket
import traceback
from pathlib import Path
from typing import Any

from clipmark.clip import guarded_wire, native
from clipmark.clip.guarded_wire import GoneError, attach, receive, send, send_pickled
from clipmark.clip.native import COUNTERS_BYTES

_PAGE = resource.getpagesize()
shared_memory: mmap.mmap | None = None  # beside the counters, where some was given


def main(line: int, counters: int, memory: int | None = None) -> None:
    """Work until the other side ends; the numbers are open files."""
    global shared_memory
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started it decides what Ctrl-C means
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    native.count_into(memoryview(attach(counters, COUNTERS_BYTES)))
    if memory is not None:  # before anything is bounded: the bound counts addresses
        shared_memory = attach(memory, os.fstat(memory).st_size)
    guarded_wire.line_of_this_process = one_line = socket.socket(fileno=line)
    with contextlib.suppress(GoneError):
        send(one_line, "ready")
        while True:
            task, limits = receive(one_line)
            _run(one_line, task, limits)
    os._exit(0)  # nothing here needs to be put away, and a decoder's threads may not end


def _run(line: socket.socket, pickled: bytes, limits: Any) -> None:
    """One piece of work, and its answer: what it gave, or what it raised."""
    answer: tuple[str, Any]
    try:
        task = pickle.loads(pickled)  # loads the task's modules
        native.sign_of_life()
        bound_memory(limits.memory_bytes)
        _bound_processor(limits.cpu_s)
        answer = ("gave", task())
    except GoneError:
        raise
    except MemoryError:
        answer = ("memory", None)
    except BaseException as error:
        lacking = "Insufficient memory" in str(error)  # OpenCV's own
        answer = ("memory", None) if lacking else ("raised", portable(error))
    with contextlib.suppress(ValueError, OSError):
        _set_soft(resource.RLIMIT_AS, None)  # the answer itself must not fail for memory
    try:
        data = pickle.dumps(answer, protocol=pickle.HIGHEST_PROTOCOL)
    except Exception as error:
        send(line, ("raised", portable(error)))
        return
    send_pickled(line, data)


def portable(error: BaseException) -> tuple[BaseException, str]:
    """An error that can be sent, with where it came from in words."""
    told = "".join(traceback.format_exception(error))
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}"), told
    return error, told


def bound_memory(allowed_bytes: int) -> None:
    """Bound the address space to what is taken now and so much more, bytes.

    On Linux only: elsewhere what is taken now is not known, or the bound is not kept.
    """
    with contextlib.suppress(ValueError, OSError):
        taken = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * _PAGE
        _set_soft(resource.RLIMIT_AS, taken + allowed_bytes)


def _bound_processor(allowed_s: float) -> None:
    used = resource.getrusage(resource.RUSAGE_SELF)
    with contextlib.suppress(ValueError, OSError):
        _set_soft(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime + allowed_s) + 1)


def _set_soft(what: int, value: int | None) -> None:
    """Set the soft limit, never above the hard one."""
    _, hard = resource.getrlimit(what)
    if value is None or (hard != resource.RLIM_INFINITY and value > hard):
        value = hard
    resource.setrlimit(what, (value, hard))
