"""Marks move faster than a machine measures: what a browser gave up waiting for is not measured."""

import http.client
import json
import socket
import threading
import time

import pytest
import uvicorn

from clipmark.page import measuring
from clipmark.page.app import event_app
from tests.page import marking_kit as kit


@pytest.fixture
def served(tmp_path):
    """The page's own server on a port of its own; ``(port, clip, marks)``."""
    with kit.sample_page(tmp_path) as page, socket.create_server(("127.0.0.1", 0)) as listener:
        server = uvicorn.Server(uvicorn.Config(event_app(page.desk), log_level="critical"))
        running = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        running.start()
        yield (
            listener.getsockname()[1],
            kit.clip_of(page, "siskin-climb"),
            kit.marks_of("siskin-climb"),
        )
        server.should_exit = True
        running.join(20)


def test_of_many_marks_only_those_still_waited_for_are_measured(served, monkeypatch):
    port, clip, marks = served
    measured: list[float] = []
    begun, go_on = threading.Event(), threading.Event()

    class Reading:
        def to_dict(self) -> dict[str, object]:
            return {"ramp_deg": 30.0}

    def measure(opened, ready, *, live):
        measured.append(ready.lines["ramp"].x1)
        begun.set()
        assert go_on.wait(20)
        return Reading()

    monkeypatch.setattr(measuring, "angle_from", measure)

    def ask(x: float) -> http.client.HTTPConnection:
        asked = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        body = json.dumps({"marks": {**marks, "ramp": [x, *marks["ramp"][1:]]}})
        asked.request(
            "POST", f"/api/clips/{clip}/angle", body, {"content-type": "application/json"}
        )
        return asked

    first = ask(500.0)
    assert begun.wait(20)
    given_up = [ask(501.0 + number) for number in range(4)]
    last = ask(520.0)
    time.sleep(0.3)  # until all of them wait
    for asked in given_up:
        asked.close()
    time.sleep(0.3)
    go_on.set()
    assert first.getresponse().status == 200
    assert json.loads(last.getresponse().read()) == {"ramp_deg": 30.0}
    assert sorted(measured) == [500.0, 520.0]
