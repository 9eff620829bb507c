"""The gate before the page: who may come in, from where, with how much.

Whoever knows the random key in the address gets a cookie for it; nobody else gets anything. A
page of another site cannot use that cookie: it is strictly same-site, the ``Host`` must be one
this server answers for (so that a foreign name pointed at the loopback address is refused), and
an ``Origin`` must be this server's own (RFC 6454, RFC 6265bis, Fetch Metadata).
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from clipmark import defects
from clipmark.page.limits import (
    JSON_BYTES,
    TOO_LARGE,
    UPLOAD_BYTES,
    BodyTooLargeError,
    Rate,
    counted,
)

TARGET_BYTES = 4_000  # of path and query
KEY_BYTES = 24
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
SHUT = (
    "this page opens only with the key in its address; use the whole address that `clipmark mark` "
    "printed when it started"
)
READING = ("GET", "HEAD")
HTTP_PORT = 80  # left out of `Host` and `Origin` (RFC 9110, 4.2.3)
LENGTH_DIGITS = 20  # of a Content-Length: more than any disk holds


def new_key() -> str:
    """A random key for the address, 192 bits."""
    return secrets.token_urlsafe(KEY_BYTES)


@dataclass
class Doors:
    """Which names this server answers to, and what opens it.

    Attributes
    ----------
    hosts : set of str
        Allowed ``Host`` values in lower case: ``name:port``, at port 80 also the name alone.
    key : str
        The key in the address.
    """

    hosts: set[str]
    key: str = field(default_factory=new_key)

    @classmethod
    def loopback(cls, port: int, others: Iterable[str] = ()) -> Doors:
        """For the loopback interface, and other names or addresses at the same port."""
        names = [name.lower() for name in ("127.0.0.1", "localhost", "[::1]", *others)]
        hosts = {f"{name}:{port}" for name in names}
        return cls(hosts | set(names) if port == HTTP_PORT else hosts)

    @property
    def cookie_name(self) -> str:
        """One for each server: cookies are shared by all ports of a host."""
        return f"clipmark-{hashlib.sha256(self.key.encode()).hexdigest()[:12]}"

    @property
    def cookie_value(self) -> str:
        """What the cookie holds: made from the key, but not the key."""
        return hmac.new(self.key.encode(), b"cookie", "sha256").hexdigest()


class Refused(Exception):  # noqa: N818 - an answer, not an error
    """A request that does not come through: status, sentence, further headers."""

    def __init__(self, status: int, sentence: str, **headers: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence, self.headers = status, sentence, headers


class Gate:
    """ASGI middleware around the whole page."""

    def __init__(
        self,
        app: ASGIApp,
        doors: Doors,
        *,
        rate: Rate | None = None,
        wrong_keys: Rate | None = None,
    ) -> None:
        self._app, self._doors = app, doors
        self._rate = rate or Rate(per_s=400, burst=2_000)
        self._wrong_keys = wrong_keys or Rate(per_s=0.2, burst=10)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason why not."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # a websocket: closed before it opens
            await send({"type": "websocket.close", "code": 1008})
            return
        started = False

        async def guarded(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        try:
            entry = self._admit(scope)
            if entry is not None:
                await _redirect(guarded, *entry)
                return
            limit = self._body_limit(scope)
            await self._app(scope, counted(receive, limit), guarded)
        except Refused as refused:
            await _answer(guarded, scope, refused)
        except BodyTooLargeError:
            if not started:
                await _answer(guarded, scope, Refused(413, TOO_LARGE))
        except Exception as error:  # a defect that was answered is raised on all the same
            if not started:
                told = defects.keep(f"{scope['method']} {scope['path']}", error)
                await _answer(guarded, scope, Refused(500, told))

    def _admit(self, scope: Scope) -> tuple[str, str] | None:
        """Let a request in (None), or say where it goes with which cookie; raises `Refused`."""
        headers = Headers(scope=scope)
        client = scope["client"][0] if scope.get("client") else "?"
        self._check_client(client)
        self._check_target(scope)
        self._check_host(headers)
        wait_s = self._rate.take(client)
        if wait_s:
            raise Refused(
                429,
                "too many requests at once; wait a moment and try again",
                **{"retry-after": str(max(1, round(wait_s)))},
            )
        given = self._key_in(scope)
        self._check_origin(scope["method"], headers, entering=given is not None)
        if given is not None:
            return self._enter(given, scope, client)
        if not self._has_cookie(headers):
            raise Refused(401, SHUT)
        return None

    def _check_client(self, client: str) -> None:
        if not is_near(client):
            raise Refused(
                403,
                "this page answers only to machines of its own network, not to the internet; open "
                "it on one of those",
            )

    def _check_target(self, scope: Scope) -> None:
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > TARGET_BYTES:
            raise Refused(414, "the address of this request is too long; shorten it")

    def _check_host(self, headers: Headers) -> None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._doors.hosts:
            raise Refused(
                403,
                "this server does not answer to that host name; use the address that "
                "`clipmark mark` printed",
            )

    def _check_origin(self, method: str, headers: Headers, *, entering: bool) -> None:
        origins = {f"http://{host}" for host in self._doors.hosts}
        if any(origin.lower() not in origins for origin in headers.getlist("origin")):
            raise Refused(403, "a request from another site is refused; use this page itself")
        site = headers.get("sec-fetch-site", "none")
        if site in ("none", "same-origin"):
            return
        # A link to the page, followed by hand, may come from elsewhere; nothing else may.
        followed = method in READING and headers.get("sec-fetch-mode") == "navigate"
        if not (entering and followed):
            raise Refused(403, "a request from another site is refused; use this page itself")

    def _key_in(self, scope: Scope) -> str | None:
        """The key in the address of an entry, ``/?key=...``."""
        if scope["path"] != "/" or scope["method"] not in READING:
            return None
        return dict(parse_qsl(scope["query_string"].decode("latin-1"))).get("key")

    def _enter(self, given: str, scope: Scope, client: str) -> tuple[str, str]:
        if not hmac.compare_digest(given.encode(), self._doors.key.encode()):
            if self._wrong_keys.take(client):
                raise Refused(429, "too many wrong keys; wait a minute", **{"retry-after": "60"})
            raise Refused(403, f"that key is wrong: {SHUT}")
        rest = [
            pair
            for pair in parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
            if pair[0] != "key"
        ]
        cookie = (
            f"{self._doors.cookie_name}={self._doors.cookie_value}; Path=/; HttpOnly; "
            "SameSite=Strict"
        )
        return "/" + (f"?{urlencode(rest)}" if rest else ""), cookie

    def _has_cookie(self, headers: Headers) -> bool:
        for line in headers.getlist("cookie"):
            try:
                found = SimpleCookie(line).get(self._doors.cookie_name)
            except CookieError:
                continue
            if found and hmac.compare_digest(
                found.value.encode(), self._doors.cookie_value.encode()
            ):
                return True
        return False

    def _body_limit(self, scope: Scope) -> int:
        """How many bytes the body may have; raises `Refused` when it announces more."""
        upload = scope["method"] == "POST" and scope["path"].endswith("/api/clips")
        limit = UPLOAD_BYTES if upload else JSON_BYTES
        announced = Headers(scope=scope).get("content-length", "0")
        known = announced.isdecimal() and len(announced) <= LENGTH_DIGITS
        if not known or int(announced) > limit:
            raise Refused(413, TOO_LARGE)
        return limit


def is_near(client: str) -> bool:
    """Whether an address is this machine's or of a local network (RFC 6890): not of the internet.

    Examples
    --------
    >>> [is_near(address) for address in ("127.0.0.1", "192.168.4.20", "198.51.100.7", "8.8.8.8")]
    [True, True, True, False]
    """
    try:
        return not ipaddress.ip_address(client).is_global
    except ValueError:  # no address: a socket of this machine
        return True


async def _redirect(send: Send, target: str, cookie: str) -> None:
    headers = [(b"location", target.encode()), (b"set-cookie", cookie.encode())]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _answer(send: Send, scope: Scope, refused: Refused) -> None:
    """The sentence: as JSON for the API, else as plain text."""
    if "/api/" in scope["path"]:
        kind, body = b"application/json", json.dumps({"error": refused.sentence}).encode()
    else:
        kind, body = b"text/plain; charset=utf-8", f"clipmark: {refused.sentence}\n".encode()
    headers = [(b"content-type", kind), (b"content-length", str(len(body)).encode())]
    headers += [(name.encode(), value.encode()) for name, value in refused.headers.items()]
    if refused.status == 413:
        headers.append((b"connection", b"close"))  # what is still coming is not read
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
