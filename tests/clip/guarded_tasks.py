"""Pieces of work for the guarded worker: what a broken decoder does, on purpose."""

import ctypes
import os
import resource
import signal
import time
from collections.abc import Iterator

from clipmark.clip.guarded import tell
from clipmark.clip.native import native_call
from clipmark.errors import FolderError


def crash() -> None:
    ctypes.string_at(0)


def give_itself_up() -> None:
    os.abort()


def hang_in_a_call() -> None:
    with native_call:
        time.sleep(60)


def hang_holding_pythons_lock() -> None:
    with native_call:
        ctypes.PyDLL(None).sleep(60)


def compute_without_end() -> None:
    while True:
        pass


def decode_slowly(pictures: int, each_s: float) -> int:
    for number in range(pictures):
        with native_call:
            time.sleep(each_s)
        tell(number)
    return pictures


def take_memory(count: int) -> int:
    return len(bytearray(count))


def be_killed() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def core_limit() -> tuple[int, int]:
    return resource.getrlimit(resource.RLIMIT_CORE)


def process_id() -> int:
    return os.getpid()


def refuse() -> None:
    raise FolderError("run.mp4 is a folder, not a clip; name the video file inside it")


def have_a_defect() -> None:
    raise KeyError("hub")


def give_what_cannot_be_sent() -> Iterator[int]:
    return (n for n in range(3))


def prints(path: str) -> list[str]:
    from clipmark.clip import open_clip

    with open_clip(path) as clip:
        return [frame.fingerprint for frame in clip.frames()]
