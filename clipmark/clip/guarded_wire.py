"""What passes between a guarded worker and whoever started it: messages, and shared memory.

Messages are Python objects, pickled, each with its length before it, over a pair of connected
sockets. Memory is a file without a name, so that nothing is left behind by a killed process.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import pickle
import socket
import struct
import tempfile
from typing import Any

_LENGTH = struct.Struct("<Q")
_BLOCK = 1 << 20

line_of_this_process: socket.socket | None = None  # set in a guarded worker only


class GoneError(Exception):
    """The other side has ended."""


def send(line: socket.socket, message: object) -> None:
    """Send one message; raises `GoneError` when nobody is there any more."""
    send_pickled(line, pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL))


def send_pickled(line: socket.socket, data: bytes) -> None:
    """Send a message that is pickled already."""
    try:
        line.sendall(_LENGTH.pack(len(data)) + data)
    except OSError as error:
        raise GoneError from error


def receive(line: socket.socket) -> Any:
    """Wait for one message; raises `GoneError` when the other side has ended."""
    (length,) = _LENGTH.unpack(_exactly(line, _LENGTH.size))
    return pickle.loads(_exactly(line, length))


def _exactly(line: socket.socket, count: int) -> bytearray:
    data = bytearray()
    while len(data) < count:
        try:
            block = line.recv(min(count - len(data), _BLOCK))
        except OSError as error:
            raise GoneError from error
        if not block:
            raise GoneError
        data += block
    return data


class SharedMemory:
    """Memory that two processes see; handed on by its handle, an open file."""

    def __init__(self, size: int) -> None:
        self.handle = _nameless_file()
        os.ftruncate(self.handle, size)
        self.view = mmap.mmap(self.handle, size)

    def close(self) -> None:
        """Let it go on this side."""
        handle, self.handle = self.handle, -1
        if handle >= 0:
            os.close(handle)
        with contextlib.suppress(BufferError):  # somebody still looks: it goes with the last look
            self.view.close()


def attach(handle: int, size: int) -> mmap.mmap:
    """The same memory in the process that the handle was passed to."""
    view = mmap.mmap(handle, size)
    os.close(handle)
    return view


def _nameless_file() -> int:
    if hasattr(os, "memfd_create"):  # not bounded by the size of /dev/shm
        return os.memfd_create("clipmark")
    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())
