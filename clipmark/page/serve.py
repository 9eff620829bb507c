"""Serving the page: one process, one event, until it is told to stop."""

from __future__ import annotations

import contextlib
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from clipmark.clip.opening import guard_clips
from clipmark.errors import FolderError
from clipmark.page.app import create_app
from clipmark.page.security import Doors

LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"  # the second only after an explicit yes


@dataclass(frozen=True)
class Place:
    """Where the page is: its address with the key, and further ones on the local network."""

    address: str
    on_lan: tuple[str, ...] = ()


def serve(
    event_path: Path,
    *,
    port: int = 0,
    lan: bool = False,
    ready: Callable[[Place], None],
    open_browser: bool = True,
    make_app: Callable[[Path, Doors], ASGIApp] = create_app,
) -> None:
    """Serve the page of one event until interrupted.

    Parameters
    ----------
    event_path : Path
    port : int
        0 takes a free one.
    lan : bool
        Answer to other machines of the networks this one is in, not only to itself. Addresses of
        the internet are refused all the same.
    ready : callable
        Told where the page is, before the first request.
    open_browser : bool
    make_app : callable
        Makes another page than the marking page, of the event and the doors.

    Raises
    ------
    FolderError, RecordError
        When the event cannot be opened, or the port is taken.
    """
    with listen(EVERYWHERE if lan else LOOPBACK, port) as listener:
        _serve_at(
            listener,
            event_path,
            lan=lan,
            ready=ready,
            open_browser=open_browser,
            make_app=make_app,
        )


def _serve_at(
    listener: socket.socket,
    event_path: Path,
    *,
    lan: bool,
    ready: Callable[[Place], None],
    open_browser: bool,
    make_app: Callable[[Path, Doors], ASGIApp],
) -> None:
    port = listener.getsockname()[1]
    others = own_addresses() if lan else []
    doors = Doors.loopback(port, others)
    guard_clips(True)  # a file that crashes the decoder must not end the session
    app = make_app(event_path, doors)
    entry = f"/?key={doors.key}"
    place = Place(
        f"http://{LOOPBACK}:{port}{entry}",
        tuple(f"http://{name}:{port}{entry}" for name in others),
    )
    config = uvicorn.Config(
        app,
        log_level="critical",  # defects are kept in a file; no traceback reaches an operator
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=3,
        timeout_keep_alive=30,
        h11_max_incomplete_event_size=64_000,
    )
    ready(place)
    if open_browser:
        threading.Thread(target=webbrowser.open, args=(place.address,), daemon=True).start()
    uvicorn.Server(config).run(sockets=[listener])


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; raises `FolderError` with a sentence when the port cannot be had."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)  # whoever is told the address may connect at once, and waits
    except (OSError, OverflowError) as error:
        listener.close()
        raise FolderError(
            f"the page cannot be served at port {port} ({error}); leave --port out to take a "
            "free one"
        ) from error
    return listener


def own_addresses() -> list[str]:
    """This machine's names and IPv4 addresses on the local network, as a browser would type."""
    found: list[str] = []
    name = socket.gethostname()
    with contextlib.suppress(OSError):
        found += [str(item[4][0]) for item in socket.getaddrinfo(name, None, socket.AF_INET)]
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe,
    ):
        probe.connect(("192.0.2.1", 9))  # RFC 5737: never anybody's; no packet is sent
        found.append(str(probe.getsockname()[0]))
    others = [item for item in dict.fromkeys(found) if not item.startswith("127.")]
    return [*others, name] if name else others
