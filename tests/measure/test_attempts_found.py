"""Attempts looked for in filmed sessions: drawn, encoded as H.264, decoded like any clip.

``pytest -m slow -s tests/measure/test_attempts_found.py`` prints what a study over fresh sessions
gives, and what looking costs beside decoding.
"""

import json
import re
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import clipmark
from clipmark.cli.app import status_of
from clipmark.clip import open_clip
from clipmark.errors import MarkError
from clipmark.measure.attempts_found import find_attempts
from tests.measure.attempt_scenes import Look, Session, Truth, drawn_by_lot

LATE_FRAMES = 12  # half a second at 25 frames/s: half of the margin that a span has


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Truth]]:
    """Hand-held, noisy: a stall; a finger that points and a fall; a change of light and a grab."""
    told = Session(Look(width=256, shake_px=1.5, noise=2.5), seed=41)
    told.wait(0.6)
    told.set_down(hold=0.3)
    told.wait(0.8)
    told.drive(230, 70, stall=(130, 1.5))
    told.wait(0.8)
    told.take(40)
    told.wait(0.6)
    first = len(told.shots)
    told.drive(270, 90, end="falls")
    told.wait(1.6)
    told.during(first + 25, first + 45, "light", 0.25)
    told.take(40)
    told.wait(0.6)
    told.drive(240, 80, end="spins")
    told.take()
    told.wait(0.8)
    return told.write(tmp_path_factory.mktemp("session") / "session.mp4"), told.truth


@pytest.fixture(scope="module")
def found(three):
    with open_clip(three[0]) as clip:
        return find_attempts(clip)


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A truck that drives up the board from the first frame to the last."""
    told = Session(Look(), seed=9)
    told.stand(40)
    told.drive(200, 60)
    return told.write(tmp_path_factory.mktemp("one") / "one.mp4")


def test_three_attempts_are_three_spans_that_hold_them_whole(three, found):
    _, truth = three
    assert len(found.spans) == len(truth) == 3
    for span, true in zip(found.spans, truth, strict=True):
        assert span.first_frame <= true.first
        assert true.last <= span.last_frame
        assert abs(span.moves_first_frame - true.first) <= LATE_FRAMES
        assert abs(span.moves_last_frame - true.last) <= LATE_FRAMES


def test_how_each_began_and_ended_is_said(found):
    assert [span.start for span in found.spans] == ["set-down"] * 3
    assert [span.end for span in found.spans] == ["rests", "falls", "carried-off"]
    assert found.told_share == 1.0


def test_the_command_line_and_python_say_the_same(one, capsys):
    with open_clip(one) as clip:
        found = clipmark.find_attempts(clip)
    assert status_of(["footage", str(one), "--attempts", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told.pop("clip") == "one.mp4"
    assert told == json.loads(json.dumps(found.to_dict()))
    first = told["attempts"][0]
    assert told["frame"] == first["first_frame"]
    assert first["last_t_s"] == pytest.approx(first["last_frame"] / 25)


def test_what_moves_outside_the_region_is_passed_over(one):
    with open_clip(one) as clip:
        found = find_attempts(clip, within=(0, 0, 320, 40))  # over the board
    assert found.spans == ()
    assert found.not_told.startswith("Nothing moves in the region")


def test_the_terms_are_checked(one):
    with open_clip(one) as clip:
        for wrong, sentence in (
            ({"rest_s": -1.0}, r"the rest \(--rest-s\) of -1 s cannot be used"),
            ({"margin_s": float("nan")}, r"the margin \(--margin-s\)"),
            ({"within": (0, 0, 0, 10)}, r"region to look in \(--within\) has no size"),
            ({"within": (400, 0, 10, 10)}, r"lies outside the picture, which is 320 x 180 px"),
        ):
            with pytest.raises(MarkError, match=sentence):
                find_attempts(clip, **wrong)


def test_options_that_belong_to_the_search_are_refused_without_it(one, capsys):
    assert status_of(["footage", str(one), "--rest-s", "4"]) == 2
    assert "ask for that (--attempts)" in " ".join(capsys.readouterr().err.split())


def filmed(tmp_path: Path, told: Session):
    with open_clip(told.write(tmp_path / "clip.mp4")) as clip:
        return find_attempts(clip)


def test_a_clip_in_which_nothing_moves_says_so(tmp_path):
    told = Session(Look(width=256, noise=3, shake_px=1.5), seed=7)
    told.wait(2.5)
    found = filmed(tmp_path, told)
    assert found.spans == ()
    assert found.not_told == "Nothing moves in this clip. Look whether it is the right one."


def test_hands_alone_are_no_attempt(tmp_path):
    told = Session(Look(), seed=8)
    told.set_down()
    told.take()
    told.wait(0.5)
    found = filmed(tmp_path, told)
    assert found.spans == ()
    assert "nothing that goes on its own as a truck does" in found.not_told


def test_a_clip_of_one_attempt_alone_is_one_span(one):
    with open_clip(one) as clip:
        found = find_attempts(clip)
        last = clip.frame_count - 1
    assert [(span.start, span.end) for span in found.spans] == [("clip-begins", "clip-ends")]
    assert (found.spans[0].first_frame, found.spans[0].last_frame) == (0, last)


def test_a_carried_camera_is_told_and_nothing_is_proposed(tmp_path):
    """Near and far things pass each other, so that no one movement of the picture explains it."""
    told = Session(Look(width=200, carried=True, depth=True), seed=10)
    told.stand(40)
    told.drive(200, 60)
    found = filmed(tmp_path, told)
    assert found.spans == ()
    assert "The whole picture moves for" in found.not_told
    assert "cannot be told from the camera" in found.not_told


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_most_attempts_of_sessions_drawn_by_lot_are_found_whole(tmp_path):
    """Sessions of seeds that nothing was looked at with; the figures stand in the docs."""
    true = found = both = whole = 0
    first_off, last_off = [], []
    sure: dict[str, list[int]] = {"clear": [0, 0], "likely": [0, 0], "doubtful": [0, 0]}
    for seed in range(8000, 8040):
        told = drawn_by_lot(seed)
        path = told.write(tmp_path / f"{seed}.mp4")
        with open_clip(path) as clip:
            spans = find_attempts(clip).spans
        path.unlink()
        pairs = matched(told.truth, spans)
        true, found, both = true + len(told.truth), found + len(spans), both + len(pairs)
        right = {id(span) for _, span in pairs}
        for span in spans:
            sure[span.sure][0] += 1
            sure[span.sure][1] += id(span) in right
        for one, span in pairs:
            first_off.append(span.moves_first_frame - one.first)
            last_off.append(span.moves_last_frame - one.last)
            whole += span.first_frame <= one.first and span.last_frame >= one.last
    at = [5, 25, 50, 75, 95]
    print(f"\n{true} attempts, {found} proposed, {both} of them right, {whole} whole")
    print("first move, frames late:", np.percentile(first_off, at), "at", at, "%")
    print("last move, frames late:", np.percentile(last_off, at))
    print("right of proposed:", {name: f"{r} of {n}" for name, (n, r) in sure.items()})
    assert both / true > 0.95
    assert both / found > 0.95
    assert whole / both > 0.95
    assert sure["clear"][1] / sure["clear"][0] > 0.98


def matched(truth, spans):
    """Pairs that share more than half of the time that they take together."""
    pairs, taken = [], set()
    for true in truth:
        for span in spans:
            common = min(true.last, span.moves_last_frame) - max(true.first, span.moves_first_frame)
            both = max(true.last, span.moves_last_frame) - min(true.first, span.moves_first_frame)
            if common > both / 2 and id(span) not in taken:
                taken.add(id(span))
                pairs.append((true, span))
                break
    return pairs


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_looking_costs_little_more_than_decoding(tmp_path):
    """1080p at 60 frames/s, alone on the machine (``-n 0``); the least of three turns each."""
    told = Session(Look(width=1920, fps=60, shake_px=1.5), seed=5)
    told.wait(0.5)
    told.set_down()
    told.wait(0.4)
    told.drive(300, 50)
    told.take()
    path = told.write(tmp_path / "big.mp4")

    def timed(work) -> float:
        with open_clip(path) as clip:
            begins = time.perf_counter()
            work(clip)
            return time.perf_counter() - begins

    def decode(clip) -> None:
        for _ in clip.frames():
            pass

    turns = [(timed(decode), timed(find_attempts)) for _ in range(3)]
    decoding, looking = (min(each) for each in zip(*turns, strict=True))
    print(f"\ndecoding {decoding:.2f} s, looking {looking:.2f} s, {looking / decoding:.2f} times")
    assert looking < 1.6 * decoding


@pytest.mark.slow
def test_memory_does_not_grow_with_the_clip():
    """An hour at a dozen looks a second: what is kept of each is small."""
    import tracemalloc

    from clipmark.motion.movers import MoverFinder
    from clipmark.motion.scene_view import SceneView

    rng = np.random.default_rng(3)
    still = rng.uniform(60, 180, (135, 240)).astype(np.float32)

    def kept_after(samples: int) -> int:
        view, finder, moments = SceneView((135, 240)), MoverFinder(), []
        tracemalloc.start()
        for k in range(samples):
            picture = still.copy()
            picture[60:80, 20 + k % 180 : 50 + k % 180] = 230
            moments += finder.step(k, k * 0.08, view.lay(picture, k * 0.08))
        size, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return size

    few, many = kept_after(300), kept_after(1200)
    a_sample = (many - few) / 900
    print(f"\n{a_sample:.0f} bytes a sample, {a_sample * 45_000 / 1e6:.0f} MB an hour")
    assert a_sample * 45_000 < 100e6


def test_a_search_ends_when_it_is_told_to(one):
    class EnoughError(Exception):
        pass

    def stop(done: int, total: int) -> None:
        seen.append((done, total))
        if done > total / 4:
            raise EnoughError

    seen: list[tuple[int, int]] = []
    with open_clip(one) as clip, pytest.raises(EnoughError):
        find_attempts(clip, progress=stop)
    assert all(one[0] <= other[0] for one, other in pairwise(seen))


def test_what_is_documented_of_an_answer_is_what_is_given(one):
    page = Path(__file__).parents[2] / "docs" / "attempts-in-a-clip.md"
    rows = [line for line in page.read_text(encoding="utf-8").splitlines() if line[:3] == "| `"]
    documented = {name for row in rows for name in re.findall(r"`([a-z0-9_]+)`", row.split("|")[1])}
    with open_clip(one) as clip:
        found = find_attempts(clip).to_dict()
    assert documented == {"clip", *found, *found["attempts"][0]}
