"""Who gets through the gate of the page, and who does not."""

import json
from collections.abc import Iterator

import pytest
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.testclient import TestClient
from starlette.types import Receive, Scope, Send
from starlette.websockets import WebSocketDisconnect

from clipmark.page import security
from clipmark.page.app import create_app
from clipmark.page.limits import Rate
from clipmark.page.security import POLICY, Doors, Gate

HOME = "http://127.0.0.1:8000"


async def inner(scope: Scope, receive: Receive, send: Send) -> None:
    """Says which path and how large a body reached it."""
    request = Request(scope, receive)
    size = len(await request.body())
    await JSONResponse({"path": scope["path"], "size": size})(scope, receive, send)


@pytest.fixture
def doors() -> Doors:
    return Doors.loopback(8000)


def client_of(doors: Doors, **bounds: Rate) -> TestClient:
    return TestClient(Gate(inner, doors, **bounds), base_url=HOME, follow_redirects=False)


@pytest.fixture
def stranger(doors: Doors) -> TestClient:
    return client_of(doors)


@pytest.fixture
def guest(doors: Doors) -> TestClient:
    """A browser that came in with the key."""
    client = client_of(doors)
    client.get("/", params={"key": doors.key})
    return client


def refused(answer: Response, status: int) -> str:
    assert answer.status_code == status, answer.text
    if answer.headers["content-type"] == "application/json":
        return str(json.loads(answer.text)["error"])
    return str(answer.text)


def test_the_key_is_exchanged_for_a_strict_cookie_and_leaves_the_address(doors, stranger):
    answer = stranger.get("/", params={"key": doors.key, "guide": ""})
    assert answer.status_code == 303
    assert answer.headers["location"] == "/?guide="
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert doors.key not in cookie


def test_with_the_cookie_the_page_answers(guest):
    assert guest.get("/api/event").json()["path"] == "/api/event"


@pytest.mark.parametrize("path", ["/", "/static/js/main.js", "/api/event", "/api/clips"])
def test_without_the_key_nothing_is_given(stranger, path):
    sentence = refused(stranger.get(path), 401)
    assert "use the whole address that `clipmark mark` printed" in sentence


def test_a_wrong_key_is_refused_and_sets_no_cookie(stranger):
    answer = stranger.get("/", params={"key": "A" * 32})
    assert "that key is wrong" in refused(answer, 403)
    assert "set-cookie" not in answer.headers


def test_guessing_keys_is_slowed_to_one_in_five_seconds(doors, stranger):
    answers = [stranger.get("/", params={"key": f"guess{n}"}).status_code for n in range(12)]
    assert answers == [403] * 10 + [429] * 2


def test_a_cookie_of_another_server_does_not_open_this_one(doors, stranger):
    other = Doors.loopback(8000)
    stranger.cookies.set(doors.cookie_name, other.cookie_value)
    assert stranger.get("/api/event").status_code == 401


@pytest.mark.parametrize(
    "host", ["evil.example:8000", "127.0.0.1", "127.0.0.1:8001", "127.0.0.1.evil.example:8000", ""]
)
def test_a_foreign_host_name_is_refused_even_with_the_cookie(guest, host):
    """What DNS rebinding needs: a foreign name that points at the loopback address."""
    refused(guest.get("/api/event", headers={"host": host}), 403)


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "OPTIONS"])
@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:8000"])
def test_a_foreign_origin_is_refused_even_with_the_cookie(guest, method, origin):
    answer = guest.request(method, "/api/event", headers={"origin": origin})
    assert "another site" in refused(answer, 403)


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_request_that_another_site_makes_is_refused(guest, site):
    refused(guest.get("/api/event", headers={"sec-fetch-site": site}), 403)


def test_the_own_origin_is_welcome(guest):
    answer = guest.post("/api/x", headers={"origin": HOME, "sec-fetch-site": "same-origin"})
    assert answer.status_code == 200


def test_a_link_with_the_key_may_be_followed_from_elsewhere(doors, stranger):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert stranger.get("/", params={"key": doors.key}, headers=headers).status_code == 303


def test_another_site_cannot_post_with_the_key(doors, stranger):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert stranger.post("/", params={"key": doors.key}, headers=headers).status_code in (401, 403)


def test_an_announced_oversized_body_is_refused_before_it_is_read(guest):
    answer = guest.post("/api/drafts/x", content=b"", headers={"content-length": "2000001"})
    assert "too large" in refused(answer, 413)


def test_an_unannounced_oversized_body_is_refused_while_it_is_read(guest):
    def chunks() -> Iterator[bytes]:
        for _ in range(25):
            yield b"x" * 100_000

    refused(guest.post("/api/drafts/x", content=chunks()), 413)


@pytest.mark.parametrize("length", ["9" * 5_000, "1e3", "-1", "\xb2"])
def test_a_length_that_is_none_is_refused_as_too_large(guest, length):
    answer = guest.post("/api/drafts/x", headers=[(b"content-length", length.encode("latin-1"))])
    assert "too large" in refused(answer, 413)


@pytest.mark.parametrize(
    ("method", "path"),
    [("PUT", "/api/drafts/new-0123456789abcdef"), ("POST", "/api/clips?name=a.mp4")],
)
def test_an_unannounced_oversized_body_is_refused_by_the_page_as_well(
    method, path, empty_event, tmp_path, monkeypatch
):
    monkeypatch.setattr(security, "JSON_BYTES", 1_000)
    monkeypatch.setattr(security, "UPLOAD_BYTES", 1_000)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    doors = Doors.loopback(8000)
    with TestClient(create_app(empty_event, doors), base_url=HOME) as client:
        client.get("/", params={"key": doors.key})
        answer = client.request(method, path, content=iter([b"x" * 900, b"x" * 900]))
    assert "the request is too large" in refused(answer, 413)
    assert list((empty_event / "clips").iterdir()) == []


@pytest.mark.parametrize("begun", [True, False])
def test_a_defect_is_a_sentence_and_its_traceback_stays_in_a_file(
    begun, doors, tmp_path, monkeypatch
):
    """Whatever is raised to the server it would print before the operator."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))  # the log folder is in it

    async def broken(scope: Scope, receive: Receive, send: Send) -> None:
        if begun:
            await JSONResponse({"error": "answered already"}, 500)(scope, receive, send)
        raise ZeroDivisionError("by nought")

    client = TestClient(Gate(broken, doors), base_url=HOME)
    client.cookies.set(doors.cookie_name, doors.cookie_value)
    sentence = refused(client.get("/api/event"), 500)
    if begun:
        assert sentence == "answered already"
        return
    (kept,) = tmp_path.rglob("defect.txt")
    assert sentence == (
        "this is a defect of clipmark, not of your input (ZeroDivisionError); "
        f"details are in {kept}"
    )
    assert "by nought" in kept.read_text()


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("127.0.0.1", 200), ("192.168.4.20", 200), ("10.1.2.3", 200), ("169.254.9.9", 200),
        ("100.64.0.9", 200), ("8.8.8.8", 403), ("2606:4700::1111", 403),
    ],
)  # fmt: skip
def test_the_internet_is_not_answered_even_with_the_cookie(address, status, doors):
    """RFC 6890: which addresses are reached from outside."""
    client = TestClient(Gate(inner, doors), base_url=HOME, client=(address, 50_000))
    client.cookies.set(doors.cookie_name, doors.cookie_value)
    answer = client.get("/api/event")
    assert answer.status_code == status
    if status == 403:
        assert "answers only to machines of its own network" in answer.json()["error"]


def test_at_port_80_a_browser_names_no_port():
    doors = Doors.loopback(80)
    client = TestClient(Gate(inner, doors), base_url="http://127.0.0.1")
    client.cookies.set(doors.cookie_name, doors.cookie_value)
    answer = client.post("/api/x", headers={"origin": "http://127.0.0.1"})
    assert answer.status_code == 200
    assert Doors.loopback(8000).hosts == {"127.0.0.1:8000", "localhost:8000", "[::1]:8000"}


def test_a_clip_may_be_larger_than_a_form(guest):
    answer = guest.post("/api/clips", content=b"x" * 3_000_000)
    assert answer.json()["size"] == 3_000_000


def test_an_endless_address_is_refused(guest):
    refused(guest.get("/api/" + "a" * 5_000), 414)


def test_requests_beyond_the_rate_wait_and_are_told_how_long(doors):
    now = [0.0]
    rate = Rate(per_s=1.0, burst=3.0, clock=lambda: now[0])
    client = client_of(doors, rate=rate)
    client.get("/", params={"key": doors.key})
    answers = [client.get("/api/event") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert answers[-1].headers["retry-after"] == "1"
    now[0] += 1.0
    assert client.get("/api/event").status_code == 200


@pytest.mark.parametrize("path", ["/", "/api/event", "/?key=wrong"])
def test_every_answer_carries_the_strict_policy(guest, stranger, path):
    for client in (guest, stranger):
        headers = client.get(path).headers
        assert headers["content-security-policy"] == POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"


def test_the_policy_allows_no_inline_script_and_nothing_from_elsewhere():
    assert "default-src 'none'" in POLICY
    for never in ("unsafe", "http:", "https:", "*", "data:"):
        assert never not in POLICY


def test_two_servers_use_two_cookies():
    """Cookies are shared by all ports of a host (RFC 6265, 8.5)."""
    assert Doors.loopback(8000).cookie_name != Doors.loopback(8001).cookie_name


def test_a_websocket_is_not_opened(guest):
    with (
        pytest.raises(WebSocketDisconnect) as closed,
        guest.websocket_connect("/api/event", headers={"host": "127.0.0.1:8000"}),
    ):
        pass
    assert closed.value.code == 1008  # RFC 6455, 7.4.1: policy violation
