"""The page as it is really served: what gets out, and what never does."""

import http.client
import json
import re
import urllib.parse
from pathlib import Path

import pytest

from clipmark.cli.app import status_of
from clipmark.page.app import STATIC
from clipmark.sample.media import sample_media_folder

SCRIPTS = sorted(STATIC.rglob("*.js"))
PAGES = sorted(STATIC.rglob("*.html"))
STYLES = sorted(STATIC.rglob("*.css"))


@pytest.fixture(scope="module")
def secret(tmp_path_factory) -> Path:
    """A file beside the event that must not be had through the page."""
    path = tmp_path_factory.mktemp("outside") / "secret.txt"
    path.write_text("nobody's business")
    return path


def raw(served, target: str, method: str = "GET", body: bytes | None = None, **headers: str):
    """One request whose target is sent as it stands, `..` and all."""
    host = served.base.removeprefix("http://")
    cookies = next(
        handler.cookiejar for handler in served.opener.handlers if hasattr(handler, "cookiejar")
    )
    cookie = "; ".join(f"{item.name}={item.value}" for item in cookies)
    wire = http.client.HTTPConnection(host, timeout=30)
    wire.putrequest(method, target, skip_host=True)
    for name, value in {"Host": host, "Cookie": cookie, **headers}.items():
        wire.putheader(name, value)
    if body is not None:
        wire.putheader("Content-Length", str(len(body)))
    wire.endheaders(body)
    answer = wire.getresponse()
    text = answer.read()
    wire.close()
    return answer.status, text


TRICKS = (
    "/static/../app.py",
    "/static/%2e%2e/app.py",
    "/static/..%2fapp.py",
    "/static/....//app.py",
    "/static/%252e%252e/app.py",
    "/static//etc/passwd",
    "/static/js/../../../errors.py",
    "/..%5capp.py",
    "/api/clips/../../journal.jsonl",
    "/api/clips/..%2f..%2fjournal.jsonl/open",
    "/api/clips/clips%2fsiskin-climb.mp4/frames/0.jpg",
    "/api/drafts/..%2f..%2fevil",
    "/api/attempts/%2e%2e%2fjournal",
    "/practice/static/../../app.py",
)


def test_no_path_trick_gets_a_file(serve, empty_event, secret):
    served = serve(empty_event)
    tricks = [*TRICKS, f"/static/{secret}", f"/static/%2f{urllib.parse.quote(str(secret))}"]
    for trick in tricks:
        status, text = raw(served, trick)
        assert 400 <= status < 500, f"{trick}: {status}"
        assert b"nobody's business" not in text
        assert b"import" not in text
        assert b"root:" not in text


def test_an_upload_cannot_be_named_out_of_the_clips_folder(serve, empty_event):
    served = serve(empty_event)
    clip = (sample_media_folder() / "siskin-stall.mp4").read_bytes()
    before = set(empty_event.parent.rglob("*"))
    for name in ("../../evil.mp4", "/tmp/evil.mp4", "..%2f..%2fevil.mp4", ".hidden.mp4"):
        raw(served, f"/api/clips?name={urllib.parse.quote(name)}", "POST", clip)
    made = {path for path in empty_event.parent.rglob("*") if path not in before and path.is_file()}
    inside = {path for path in made if path.is_relative_to(empty_event)}
    assert {path.parent for path in inside if path.suffix == ".mp4"} <= {empty_event / "clips"}
    assert not any("evil" in path.name for path in made - inside)


def test_what_is_no_footage_is_refused_and_nothing_of_it_stays(serve, empty_event):
    served = serve(empty_event)
    status, text = raw(served, "/api/clips?name=notes.mp4", "POST", b"these are no pictures" * 100)
    assert status == 400
    assert "notes.mp4" in json.loads(text)["error"]
    assert list((empty_event / "clips").iterdir()) == []


@pytest.mark.slow
def test_a_second_server_does_not_take_the_cookie_of_the_first(serve, empty_event):
    first, second = serve(empty_event), serve(empty_event)
    cookies = next(h.cookiejar for h in first.opener.handlers if hasattr(h, "cookiejar"))
    cookie = "; ".join(f"{item.name}={item.value}" for item in cookies)
    wire = http.client.HTTPConnection(second.base.removeprefix("http://"), timeout=30)
    wire.request("GET", "/api/event", headers={"Cookie": cookie})
    assert wire.getresponse().status == 401


def test_the_page_loads_nothing_from_elsewhere_and_runs_nothing_inline():
    for path in [*SCRIPTS, *PAGES, *STYLES]:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|@import|//cdn", text), path.name
        assert not re.search(r"\beval\(|new Function\(|document\.write|innerHTML", text), path.name
    for path in PAGES:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son\w+=|\sstyle=|javascript:", text)


def test_lan_without_an_explicit_yes_starts_nothing(empty_event, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert status_of(["mark", str(empty_event), "--lan", "--no-browser"]) == 2
    told = capsys.readouterr()
    assert "the connection is not encrypted" in " ".join(told.out.split())
    assert "add --yes after reading what it means" in told.err


def test_a_folder_that_is_no_event_is_refused_with_the_way_out(tmp_path, capsys):
    assert status_of(["mark", str(tmp_path), "--no-browser"]) == 2
    assert "clipmark start" in capsys.readouterr().err


def test_a_port_that_is_taken_is_refused_with_the_way_out(serve, empty_event, capsys):
    port = serve(empty_event).base.rsplit(":", 1)[1]
    assert status_of(["mark", str(empty_event), "--no-browser", "--port", port]) == 2
    assert "leave --port out" in capsys.readouterr().err
