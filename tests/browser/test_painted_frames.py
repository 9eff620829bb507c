"""The frame painted is the frame named, and how soon it is there.

The clips carry their ordinal in the picture; it is read back from the canvas after each action.
"""

import json
import time
from pathlib import Path

import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.record.folder import EventFolder

pytestmark = pytest.mark.browser

# What reviewers of scrubbing do: one forward, one back, within ten, far away.
MIX = (("n", 0.45), ("b", 0.35), ("near", 0.17), ("far", 0.03))

ACT = """([kind, target]) => new Promise((resolve, reject) => {
  const { clock, keys } = clipmarkPage;
  const began = performance.now();
  const times = { kept: null, exact: null };
  const named = () => clock.ordinal;
  const seen = (event) => {
    if (event.detail.ordinal !== named()) return;
    times[event.detail.exact ? "exact" : "kept"] ??= event.detail.at - began;
    if (event.detail.exact) finish();
  };
  const finish = () => {
    window.removeEventListener("clipmark:painted", seen);
    resolve({ ordinal: named(), kept: times.kept, exact: times.exact });
  };
  window.addEventListener("clipmark:painted", seen);
  setTimeout(() => { window.removeEventListener("clipmark:painted", seen);
    reject(new Error("nothing painted for frame " + named())); }, 20000);
  const from = clock.ordinal;
  if (kind === "goto") clock.goto(target);
  else document.getElementById("stage").dispatchEvent(
    new KeyboardEvent("keydown", { key: kind, bubbles: true, cancelable: true }));
  if (clock.ordinal === from) finish();
})"""


def actions(count: int, frames: int, seed: int):
    """Key presses and jumps in the usual mix, staying inside the clip."""
    rng = np.random.default_rng(seed)
    at = frames // 2
    for kind in rng.choice([name for name, _ in MIX], count, p=[share for _, share in MIX]):
        if kind == "n":
            at = min(frames - 1, at + 1)
        elif kind == "b":
            at = max(0, at - 1)
        elif kind == "near":
            at = int(np.clip(at + rng.integers(2, 11) * rng.choice([-1, 1]), 0, frames - 1))
        else:
            at = int(rng.integers(0, frames))
        yield str(kind), at


def event_with(clip_maker, tmp_path: Path, frames: int, size: tuple[int, int]):
    made = tmp_path / "counting.mp4"
    clip_maker(made, frames, fps=60, gop=250, size=size)
    folder = tmp_path / "event"
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials") as event:
        ref = event.add_clip(made)
    return folder, ref.sha256, made


def open_with_cache(page, sha: str) -> None:
    """Open the clip and wait until its small pictures are kept."""
    page.evaluate("clipmarkPage.panels.close()")
    page.evaluate("sha => clipmarkPage.opener.newAttempt({ clip: sha })", sha)
    deadline = time.monotonic() + 120
    while (
        page.evaluate(
            "sha => clipmarkPage.api.get(`api/clips/${sha}/cache`).then(cache => cache.state)", sha
        )
        != "ready"
    ):
        assert time.monotonic() < deadline, "the page cache was not built"
        page.wait_for_timeout(300)


def test_every_painted_frame_is_the_named_one(
    serve, open_page, counting_clip, read_ordinal, tmp_path
):
    folder, sha, _ = event_with(counting_clip, tmp_path, 400, (640, 360))
    page = open_page(serve(folder))
    open_with_cache(page, sha)
    seen = []
    for kind, at in actions(120, 400, seed=3):
        key = kind if kind in ("n", "b") else "goto"
        page.evaluate(ACT, [key, at])
        seen.append(page.evaluate(read_ordinal))
    assert all(burnt == named for burnt, named, _ in seen)
    assert {exact for _, _, exact in seen} == {"yes"}
    assert len({named for _, named, _ in seen}) > 40


def test_a_kept_picture_is_painted_under_its_own_name_only(
    serve, open_page, counting_clip, read_ordinal, tmp_path
):
    """With exact pictures held back, what is on the canvas still is what the canvas says."""
    folder, sha, _ = event_with(counting_clip, tmp_path, 400, (640, 360))
    page = open_page(serve(folder))
    open_with_cache(page, sha)
    page.route("**/frames/*.jpg*", lambda route: route.abort())
    seen = []
    for at in (390, 150, 201, 77):
        page.evaluate("at => clipmarkPage.clock.goto(at)", at)
        page.wait_for_selector(f"#picture[data-ordinal='{at}']", timeout=10_000)
        seen.append(page.evaluate(read_ordinal))
    assert [burnt for burnt, _, _ in seen] == [390, 150, 201, 77]
    assert {exact for _, _, exact in seen} == {"no"}


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_how_soon_frames_are_painted(serve, open_page, counting_clip, tmp_path, capsys):
    """A study: 200 actions at 1080p60 with a key frame every 250 frames; prints what it took."""
    frames = 900
    folder, sha, made = event_with(counting_clip, tmp_path, frames, (1920, 1080))
    page = open_page(serve(folder), viewport={"width": 1920, "height": 1080})
    open_with_cache(page, sha)
    page.evaluate(ACT, ["goto", frames // 2])
    page.wait_for_timeout(3000)
    steps: list[float] = []
    jumps: list[tuple[int, float, float]] = []
    with open_clip(made) as clip:
        for kind, at in actions(200, frames, seed=11):
            took = page.evaluate(ACT, [kind if kind in ("n", "b") else "goto", at])
            if kind == "far" and took["exact"] is not None:
                began = time.perf_counter()
                key = at // 250 * 250
                with clip.frames(key, at, threads=1) as passed:
                    for _ in passed:
                        pass
                decode_ms = 1e3 * (time.perf_counter() - began)
                jumps.append((at, took["kept"] or took["exact"], took["exact"] - decode_ms))
            elif took["exact"] is not None:
                steps.append(took["exact"])
            page.wait_for_timeout(60)
    report = {
        "steps": len(steps),
        "step_median_ms": float(np.median(steps)),
        "step_p95_ms": float(np.percentile(steps, 95)),
        "step_worst_ms": max(steps),
        "jumps": len(jumps),
        "jump_median_ms": float(np.median([kept for _, kept, _ in jumps])),
        "jump_worst_ms": max(kept for _, kept, _ in jumps),
        "exact_beyond_decoding_ms": [round(over) for _, _, over in jumps],
    }
    with capsys.disabled():
        print(json.dumps(report, indent=1))
    assert len(steps) > 150
