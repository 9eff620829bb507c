"""The page in a real browser over the real server: fixtures for clips, servers and pages.

Chromium is looked for on the machine (Debian's `chromium`), then where Playwright keeps its own.
Without one these tests are skipped, unless CLIPMARK_NEEDS_BROWSER is set, as in `.ci/run`.
"""

import base64
import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
import tarfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import platformdirs
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))  # for page_states, which only these tests use

from clipmark.cli.app import status_of
from clipmark.page.practice import copy_sample_event
from clipmark.record.folder import EventFolder

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# axe-core, the accessibility engine (Deque, MPL-2.0), fetched for the tests and never shipped.
AXE = "https://registry.npmjs.org/axe-core/-/axe-core-4.14.1.tgz"
AXE_SHA512 = (
    "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
)
BITS, CELL = 16, 24  # the burnt-in ordinal: bits, and the side of the square that shows one, px


@dataclass
class Site:
    """A served event: where it is, and how to see it."""

    folder: Path
    address: str

    @property
    def base(self) -> str:
        return self.address.split("?")[0]


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="session")
def browser(playwright: Playwright) -> Iterator[Browser]:
    """Headless Chromium."""
    names = ("chromium", "chromium-browser", "google-chrome")
    found = next((path for name in names if (path := shutil.which(name))), None)
    if found is None and not Path(playwright.chromium.executable_path).exists():
        if os.environ.get("CLIPMARK_NEEDS_BROWSER"):
            pytest.fail("no Chromium on this machine, but the browser tests were asked for")
        pytest.skip("no Chromium on this machine; install it, or run `playwright install chromium`")
    started = playwright.chromium.launch(executable_path=found, args=FLAGS)
    yield started
    started.close()


@pytest.fixture(scope="session")
def axe_source() -> str:
    """The text of axe-core's script, checked against its published hash."""
    kept = Path(platformdirs.user_cache_dir("clipmark-tests")) / "axe-core-4.14.1.tgz"
    if not kept.exists():
        with urllib.request.urlopen(AXE, timeout=60) as answer:
            data = answer.read()
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(data)
    data = kept.read_bytes()
    assert base64.b64encode(hashlib.sha512(data).digest()).decode() == AXE_SHA512
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode()


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[[Path], Site]]:
    """Serves an event folder in a process of its own, with caches and drafts of its own."""
    running: list[subprocess.Popen[str]] = []
    homes = {
        name: str(tmp_path / name.lower())
        for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME")
    }

    def start(folder: Path) -> Site:
        code = "from clipmark.cli import main; main()"
        process = subprocess.Popen(
            [sys.executable, "-c", code, "mark", str(folder), "--no-browser", "--json"],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, **homes},
        )
        running.append(process)
        assert process.stdout is not None
        return Site(folder, json.loads(process.stdout.readline())["address"])

    yield start
    for process in running:
        process.terminate()
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
        if process.stdout:
            process.stdout.close()


@pytest.fixture
def sample_event(tmp_path: Path) -> Path:
    """The sample event's sheets, lenses and clips, with no attempts."""
    copy_sample_event(tmp_path / "sample")
    return tmp_path / "sample"


@pytest.fixture(scope="session")
def demo_event(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample event, measured and signed, made once for all processes of the run."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    folder, made = shared / "demo" / "tarn-hollow", shared / "demo" / "made"
    try:
        folder.parent.mkdir()
    except FileExistsError:  # another process makes it
        for _ in range(240):
            if made.exists():
                return folder
            time.sleep(1)
        pytest.fail("the sample event was begun by another process and never finished")
    assert status_of(["demo", str(folder), "--json"]) == 0
    made.touch()
    return folder


@pytest.fixture
def demo_copy(demo_event: Path, tmp_path: Path) -> Path:
    """A copy of the measured sample event that a test may change."""
    return Path(shutil.copytree(demo_event, tmp_path / "tarn-hollow"))


@pytest.fixture
def empty_event(tmp_path: Path) -> Path:
    """An event with its rule sheet and no clips."""
    folder = tmp_path / "empty"
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials"):
        pass
    return folder


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a served event; fails the test for anything the page logs as an error."""
    contexts: list[BrowserContext] = []
    faults: list[str] = []

    def start(site: Site, *, query: str = "", **options: object) -> Page:
        options.setdefault("viewport", {"width": 1280, "height": 720})
        context = browser.new_context(**options)  # type: ignore[arg-type]
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on(
            "console",
            lambda message: (
                faults.append(message.text)
                if message.type == "error" and "Failed to load resource" not in message.text
                else None
            ),
        )
        page.goto(site.address + query)
        page.wait_for_selector("html[data-ready=yes]", timeout=30_000)
        return page

    yield start
    for context in contexts:
        context.close()
    assert not faults, faults


def make_counting_clip(
    path: Path, frames: int, *, fps: int, gop: int, size: tuple[int, int]
) -> None:
    """A clip whose every picture says its ordinal, as a row of dark and bright squares."""
    width, height = size
    rng = np.random.default_rng(7)
    texture = cv2.resize(
        rng.integers(40, 200, (height // 4, width // 2), np.uint8), (2 * width, height)
    )
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.time_base = Fraction(1, fps)
        stream.options = {
            "preset": "veryfast", "crf": "23", "g": str(gop), "keyint_min": str(gop),
            "sc_threshold": "0", "bf": "2",
        }  # fmt: skip
        for ordinal in range(frames):
            shift = (3 * ordinal) % width
            picture = np.ascontiguousarray(texture[:, shift : shift + width])
            burn_in(picture, ordinal)
            frame = av.VideoFrame.from_ndarray(
                cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), format="bgr24"
            )
            frame.pts = ordinal
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def burn_in(picture: np.ndarray, ordinal: int) -> None:
    """Write an ordinal into the top-left corner, most significant bit first."""
    for bit in range(BITS):
        on = ordinal >> (BITS - 1 - bit) & 1
        picture[:CELL, bit * CELL : (bit + 1) * CELL] = 235 if on else 16


READ_ORDINAL = f"""() => {{
  const canvas = document.getElementById("picture");
  const copy = document.createElement("canvas");
  copy.width = canvas.width; copy.height = canvas.height;
  const pen = copy.getContext("2d");
  pen.drawImage(canvas, 0, 0);
  let value = 0;
  const rect = canvas.getBoundingClientRect();
  for (let bit = 0; bit < {BITS}; bit += 1) {{
    const at = clipmarkPage.view.toScreen({CELL} * (bit + 0.5) - 0.5, {CELL} / 2 - 0.5);
    const x = Math.round((at.x - rect.left) * canvas.width / rect.width);
    const y = Math.round((at.y - rect.top) * canvas.height / rect.height);
    value = value * 2 + (pen.getImageData(x, y, 1, 1).data[1] > 125 ? 1 : 0);
  }}
  return [value, Number(canvas.dataset.ordinal), canvas.dataset.exact];
}}"""


@pytest.fixture(scope="session")
def counting_clip() -> Callable[..., None]:
    """Makes a clip whose pictures say their ordinal."""
    return make_counting_clip


@pytest.fixture(scope="session")
def read_ordinal() -> str:
    """JavaScript that reads the burnt-in ordinal from the canvas: [burnt, named, exact]."""
    return READ_ORDINAL
