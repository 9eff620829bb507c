"""Spans from drawn series of movements: what is one attempt, what parts two, what is never lost."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.motion.attempt_spans import ENDS, STARTS, SURE, SpanTerms, attempt_spans
from clipmark.motion.mover_paths import TruckSeries, truck_series
from clipmark.motion.movers import Moment, Mover, cells_at

STEP = 2  # frames from sample to sample
FPS = 25.0
LENGTH = 40.0


class Story:
    """A series drawn act by act, in seconds."""

    def __init__(self) -> None:
        self.rows: list[tuple[bool, float, float, bool, bool, bool, bool]] = []
        self.at = (100.0, 80.0)

    def _add(self, seconds: float, **what) -> "Story":
        for _ in range(round(seconds * FPS / STEP)):
            x, y = self.at
            if "speed" in what:
                self.at = (x + what["speed"] * STEP / FPS, y + what.get("down", 0.0) * STEP / FPS)
            self.rows.append((
                what.get("moving", False), *self.at, what.get("edge", False),
                what.get("beside", False), what.get("at_truck", False), what.get("told", True),
            ))  # fmt: skip
        return self

    def still(self, seconds: float) -> "Story":
        return self._add(seconds)

    def drives(self, seconds: float, speed: float = 20.0, **what) -> "Story":
        return self._add(seconds, moving=True, speed=speed, **what)

    def hand(self, seconds: float, to: float | None = None) -> "Story":
        self._add(seconds, beside=True, at_truck=True)
        if to is not None:
            self.at = (to, self.at[1])
        return self

    def passer_by(self, seconds: float) -> "Story":
        return self._add(seconds, beside=True)

    def unseen(self, seconds: float) -> "Story":
        return self._add(seconds, told=False)

    def series(self) -> TruckSeries:
        moving, x, y, edge, beside, at_truck, told = (
            np.array(each) for each in zip(*self.rows, strict=True)
        )
        place = np.where(moving[:, None], np.column_stack([x, y]), np.nan)
        count = len(moving)
        return TruckSeries(
            np.arange(count) * STEP, np.arange(count) * STEP / FPS, moving, place, LENGTH,
            edge & moving, place[:, 1], beside, at_truck, told,
        )  # fmt: skip

    def spans(self, **terms):
        return attempt_spans(self.series(), self.frame_times(), SpanTerms(**terms))

    def frame_times(self) -> np.ndarray:
        return np.arange(len(self.rows) * STEP) / FPS


def test_a_truck_that_stalls_and_goes_on_is_one_attempt():
    (span,) = Story().still(2).drives(4).still(5).drives(3).still(2).spans()
    assert span.longest_rest_s == pytest.approx(5, abs=2 * STEP / FPS)
    assert span.busy == pytest.approx(7 / 12, abs=0.03)


def test_a_rest_longer_than_told_parts_two():
    story = Story().still(2).drives(4).still(5).drives(3).still(2)
    assert len(story.spans(rest_s=4.0)) == 2


def test_a_truck_carried_back_begins_another_however_short_that_took():
    first, second = Story().still(2).drives(5).hand(0.8, to=100).drives(5).still(2).spans()
    assert (first.end, second.start) == ("carried-off", "set-down")


def test_a_hand_that_only_touches_does_not_part_one_attempt():
    (span,) = Story().still(2).drives(5).hand(0.6).drives(5).still(2).spans()
    assert span.handled is not None
    assert span.sure != "clear"


def test_a_hand_that_stays_at_the_truck_parts_two_at_the_same_place():
    assert len(Story().still(2).drives(5).hand(3).drives(5).still(2).spans()) == 2


def test_somebody_who_walks_by_is_noted_and_changes_no_end():
    quiet = Story().still(2).drives(5).still(1.5).drives(3).still(3)
    busy = Story().still(2).drives(5).passer_by(1.5).drives(3).still(3)
    (one,), (other,) = quiet.spans(), busy.spans()
    assert other.beside is not None
    assert (one.first_frame, one.last_frame, one.end) == (
        other.first_frame, other.last_frame, other.end
    )  # fmt: skip


@pytest.mark.parametrize(
    ("story", "start", "end"),
    [
        (Story().drives(3).still(3), "clip-begins", "rests"),
        (Story().still(3).drives(3), "moves-off", "clip-ends"),
        (
            Story().still(3).drives(1, edge=True).drives(3).drives(1, edge=True).still(2),
            "enters",
            "leaves",
        ),
        (Story().still(3).hand(1).still(0.5).drives(3).still(2), "set-down", "rests"),
        (Story().still(3).drives(3).drives(0.5, down=150).still(2), "moves-off", "falls"),
        (Story().still(3).drives(3).unseen(0.5).still(2), "moves-off", "view-changes"),
    ],
)
def test_a_span_says_in_a_word_how_it_begins_and_ends(story, start, end):
    (span,) = story.spans()
    assert (span.start, span.end) == (start, end)


def test_what_cannot_be_told_for_long_parts_two():
    assert len(Story().still(1).drives(4).unseen(2).drives(4).still(1).spans()) == 2


def test_what_flickers_up_for_a_moment_is_no_attempt():
    assert Story().still(3).drives(0.5).still(12).drives(0.3).still(3).spans() == []


def test_what_turns_on_the_spot_is_proposed_but_doubted():
    (span,) = Story().still(3).drives(6, speed=0.0).still(3).spans()
    assert (span.sure, "slight" in span.doubts) == ("doubtful", True)


ACTS = st.lists(
    st.one_of(
        st.tuples(st.just("still"), st.floats(0.2, 12)),
        st.tuples(st.just("drives"), st.floats(0.2, 9)),
        st.tuples(st.just("hand"), st.floats(0.2, 4)),
        st.tuples(st.just("passer_by"), st.floats(0.2, 4)),
        st.tuples(st.just("unseen"), st.floats(0.2, 3)),
    ),
    min_size=1,
    max_size=14,
)


def told(acts) -> Story:
    story = Story()
    for number, (name, seconds) in enumerate(acts):
        if name == "hand" and number % 2:
            story.hand(seconds, to=100.0)
        else:
            getattr(story, name)(seconds)
    return story


@given(ACTS, st.floats(0, 15), st.floats(0, 6))
@settings(max_examples=50, deadline=None)
def test_spans_are_in_order_disjoint_and_inside_the_clip(acts, rest_s, margin_s):
    story = told(acts)
    if not story.rows:
        return
    spans = story.spans(rest_s=rest_s, margin_s=margin_s)
    last = -1
    for span in spans:
        assert last < span.first_frame <= span.moves_first_frame
        assert span.moves_first_frame < span.moves_last_frame <= span.last_frame
        last = span.last_frame
        assert (span.start in STARTS, span.end in ENDS, span.sure in SURE) == (True, True, True)
        assert 0 < span.busy <= 1
    assert last < len(story.rows) * STEP


@given(ACTS, st.floats(-1e4, 1e4))
@settings(max_examples=25, deadline=None)
def test_the_clock_may_begin_anywhere(acts, offset):
    story = told(acts)
    if not story.rows:
        return
    series, times = story.series(), story.frame_times()
    offset = round(offset * 8) / 8  # exact in binary, so that nothing is rounded anew
    later = TruckSeries(**{**vars(series), "t_s": series.t_s + offset})
    here, there = attempt_spans(series, times), attempt_spans(later, times + offset)
    assert [(s.first_frame, s.last_frame, s.start, s.end) for s in here] == [
        (s.first_frame, s.last_frame, s.start, s.end) for s in there
    ]


def mover(x: float, y: float, w: float, h: float, edge: int = 0) -> Mover:
    across, down = np.meshgrid(np.arange(x - w / 2, x + w / 2), np.arange(y - h / 2, y + h / 2))
    cells = cells_at(across.ravel(), down.ravel()).tobytes()
    return Mover(
        x, y, x - w / 2, y - h / 2, x + w / 2, y + h / 2, int(w * h), int(w * h), edge, cells
    )


def seen(*tracks) -> list[Moment]:
    """Moments at 12.5 a second; a track gives a mover, or None, for a number of the sample."""
    return [
        Moment(2 * k, 0.08 * k, tuple(m for track in tracks if (m := track(k)) is not None), True)
        for k in range(150)
    ]


def crawls(k: int) -> Mover | None:
    return mover(40 + k, 80, 36, 22) if 30 <= k < 120 else None


def test_an_arm_is_told_from_a_truck_by_the_edge_it_comes_from():
    def reaches(k):
        return mover(200 - 3 * abs(k - 60), 30, 50, 40, edge=30) if 45 < k < 75 else None

    series = truck_series(seen(crawls, reaches))
    assert np.flatnonzero(series.moving)[[0, -1]].tolist() == [30, 119]
    assert np.flatnonzero(series.beside)[[0, -1]].tolist() == [46, 74]
    assert not series.at_truck.any()


def test_a_truck_that_comes_in_at_the_edge_is_one_all_the_way():
    def enters(k):
        return mover(8 + k, 80, min(36, 8 + k), 22, edge=12 if k < 24 else 0) if k < 140 else None

    series = truck_series(seen(enters))
    assert series.moving[:140].all()
    assert series.at_edge[0]


def test_what_is_fast_for_its_length_is_no_truck():
    def thrown(k):
        return mover(10 + 12 * (k - 100), 60, 40, 30) if 100 <= k < 118 else None

    series = truck_series(seen(crawls, thrown))
    assert np.nanmax(series.place[:, 0]) == pytest.approx(40 + 119, abs=1)


def test_outside_the_region_nothing_counts():
    def elsewhere(k):
        return mover(150, 20 + 0.3 * k, 36, 22)

    series = truck_series(seen(crawls, elsewhere), (0, 60, 240, 135))
    assert not series.beside[:60].any()
    assert np.flatnonzero(series.moving)[0] == 30
