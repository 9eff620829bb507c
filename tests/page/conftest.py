"""The page served for real, by the command line, for tests that need a server to kill or drive."""

import json
import os
import signal
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any

import pytest

from clipmark.record.folder import EventFolder


@dataclass
class Served:
    """A running server and a client that came in with its key."""

    process: subprocess.Popen[str]
    address: str
    opener: urllib.request.OpenerDirector

    @property
    def base(self) -> str:
        return self.address.split("/?")[0]

    def call(self, method: str, path: str, body: Any = None) -> Any:
        request = urllib.request.Request(f"{self.base}/{path}", method=method)
        data = None
        if body is not None:
            data = json.dumps(body).encode()
            request.add_header("content-type", "application/json")
        with self.opener.open(request, data, timeout=60) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[[Path], Served]]:
    """Starts `clipmark mark` on an event folder; whatever still runs is ended at the end."""
    running: list[Served] = []
    homes = {
        name: str(tmp_path / f"home-{name.lower()}")
        for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME")
    }

    def start(folder: Path) -> Served:
        verb = ["mark", str(folder), "--no-browser", "--json"]
        code = "from clipmark.cli import main; main()"
        process = subprocess.Popen(
            [sys.executable, "-c", code, *verb],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, **homes},
        )
        assert process.stdout is not None
        address = json.loads(process.stdout.readline())["address"]
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
        opener.open(address, timeout=60).read()
        running.append(Served(process, address, opener))
        return running[-1]

    yield start
    for served in running:
        served.process.terminate()
        try:
            served.process.wait(15)
        except subprocess.TimeoutExpired:
            served.process.kill()
        if served.process.stdout:
            served.process.stdout.close()


@pytest.fixture
def empty_event(tmp_path: Path) -> Path:
    """An event folder with nothing in it but its sheets."""
    with EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials") as event:
        return event.path
