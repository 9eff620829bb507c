"""The frame that is sent is the frame that was asked for, pixel for pixel, and sent once."""

import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.clip.decoder import Decoder
from clipmark.page.lanes import Lane
from tests.page import frames_kit as kit


@pytest.fixture(autouse=True)
def own_cache_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Counted clips by name; the counter is the ordinal."""
    folder = tmp_path_factory.mktemp("made")
    variable = kit.clips.VARIABLE_TICKS
    return {
        path.name: path
        for path in (
            kit.make_clip(folder / "long.mp4", count=300, params=kit.LONG_GROUP),
            kit.make_clip(folder / "short.mp4", count=60),
            kit.make_clip(
                folder / "variable.mp4", count=90, ticks=variable, time_base=Fraction(1, 90000)
            ),
            kit.make_clip(folder / "turned.mp4", count=20, matrix=kit.clips.MATRICES["turned 90"]),
            kit.make_clip(
                folder / "wide.mp4",
                count=12,
                size=(960, 540),
                picture=lambda k: kit.counted_picture(k, 960, 540),
            ),
        )
    }


@pytest.fixture
def client(made, tmp_path):
    with kit.page(kit.event_with(tmp_path / "event", *made.values())) as client:
        yield client


def frame(client, sha, ordinal, width=1280, **how):
    return client.get(f"/api/clips/{sha}/frames/{ordinal}.jpg?width={width}", **how)


def until(happens, limit_s=10.0):
    end = time.monotonic() + limit_s
    while not happens():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.01)


@pytest.mark.parametrize("name", ["long.mp4", "short.mp4", "variable.mp4"])
def test_the_frame_sent_is_the_frame_named(name, made, client):
    sha, rng = kit.sha_of(client, name), random.Random(7)
    count = client.post(f"/api/clips/{sha}/open").json()["facts"]["frame_count"]
    place = count // 2
    for _ in range(60):
        place = rng.choice([place + 1, place - 1, place - 9, rng.randrange(count)]) % count
        client.post(f"/api/clips/{sha}/here", json={"ordinal": place, "direction": 1})
        answer = frame(client, sha, place)
        assert answer.status_code == 200
        assert kit.counter_of(answer.content) == place
        assert answer.headers["x-frame-ordinal"] == str(place)


def test_what_read_ahead_made_is_named_right_as_well(made, client):
    sha = kit.sha_of(client, "variable.mp4")
    client.post(f"/api/clips/{sha}/here", json={"ordinal": 45, "direction": -1, "width": 640})
    with client.shelf.reader(sha) as reader:
        wanted = [k for k in range(33, 58) if k != 45]
        until(lambda: all(reader.key(k, 640) in client.shelf.store for k in wanted))
        for k in wanted:
            assert kit.counter_of(client.shelf.store.get(reader.key(k, 640))) == k


def test_a_frame_sent_whole_differs_from_the_decoded_one_by_jpeg_error_alone(made, client):
    sha = kit.sha_of(client, "wide.mp4")
    with open_clip(made["wide.mp4"]) as clip:
        for ordinal in (0, 5, 11):
            true = clip.frame(ordinal).bgr()
            sent = kit.seen(frame(client, sha, ordinal, 960).content)
            # cv2's own JPEG 92 of the decoded picture, to the value
            coded = cv2.imencode(".jpg", true, [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
            assert np.array_equal(sent, cv2.imdecode(coded, cv2.IMREAD_COLOR))


def test_a_smaller_frame_is_the_area_mean_of_the_decoded_one(made, client):
    sha = kit.sha_of(client, "wide.mp4")
    sent = kit.seen(frame(client, sha, 4, 300).content)
    assert sent.shape == (270, 480, 3)  # 300 is rounded up to 480
    with open_clip(made["wide.mp4"]) as clip:
        true = cv2.resize(clip.frame(4).bgr(), (480, 270), interpolation=cv2.INTER_AREA)
    error = sent.astype(float) - true
    assert abs(error.mean()) < 0.5
    assert error.std() < 3.0  # JPEG 92 on this texture alone: 2.0


def test_a_turned_clip_is_sent_upright(made, client):
    sha = kit.sha_of(client, "turned.mp4")
    sent = kit.seen(frame(client, sha, 3).content)
    assert sent.shape == (320, 180, 3)
    facts = client.post(f"/api/clips/{sha}/open").json()["facts"]
    assert (facts["width"], facts["height"]) == (180, 320)
    with open_clip(made["turned.mp4"]) as clip:
        true = clip.frame(3).bgr()
    assert np.abs(sent.astype(float) - true).mean() < 4


def test_what_the_browser_has_is_not_sent_again_and_nothing_is_decoded(made, tmp_path, monkeypatch):
    with kit.page(kit.event_with(tmp_path / "event", made["long.mp4"])) as client:
        sha = kit.sha_of(client, "long.mp4")
        first = frame(client, sha, 120)
        etag = first.headers["etag"]
        assert etag.startswith(f'"{sha}-120-1280')
        assert first.headers["cache-control"] == "private, max-age=31536000, immutable"
    monkeypatch.setattr(Decoder, "feed", lambda self: pytest.fail("decoded"))
    with kit.page(tmp_path / "event") as client:  # a new start, nothing in memory
        again = frame(client, sha, 120, headers={"if-none-match": f'"other", {etag}'})
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["etag"] == etag


def test_a_tag_of_another_width_or_frame_is_not_taken_for_this_one(made, client):
    sha = kit.sha_of(client, "short.mp4")
    etag = frame(client, sha, 3, 480).headers["etag"]
    assert frame(client, sha, 3, 640, headers={"if-none-match": etag}).status_code == 200
    assert frame(client, sha, 4, 480, headers={"if-none-match": etag}).status_code == 200
    assert frame(client, sha, 3, 470, headers={"if-none-match": etag}).status_code == 304


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        ((100, 50, 64, 40), (100, 50, 64, 40)),
        ((-20, -10, 64, 40), (0, 0, 44, 30)),
        ((300, 170, 512, 512), (300, 170, 20, 10)),
        ((319, 179, 1, 1), (319, 179, 1, 1)),
    ],
)
def test_a_crop_holds_the_decoded_pixels_value_for_value(asked, given, made, client):
    sha = kit.sha_of(client, "short.mp4")
    x, y, w, h = asked
    answer = client.get(f"/api/clips/{sha}/frames/31/crop.png?x={x}&y={y}&w={w}&h={h}")
    left, top, width, height = given
    assert answer.headers["x-crop"] == ",".join(map(str, given))
    with open_clip(made["short.mp4"]) as clip:
        true = clip.frame(31).bgr()[top : top + height, left : left + width]
    assert np.array_equal(kit.seen(answer.content), true)
    again = client.get(answer.request.url, headers={"if-none-match": answer.headers["etag"]})
    assert again.status_code == 304


def test_a_crop_outside_the_picture_is_refused_in_words(made, client):
    sha = kit.sha_of(client, "short.mp4")
    answer = client.get(f"/api/clips/{sha}/frames/31/crop.png?x=320&y=0&w=10&h=10")
    assert answer.status_code == 404
    assert answer.json()["error"] == (
        "the rectangle 320,0,10,10 lies outside the picture of 320 x 180 px; ask for one inside"
    )


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("frames/60.jpg", 404),
        ("frames/-1.jpg", 422),
        ("frames/1e3.jpg", 422),
        ("frames/99999999999999999999.jpg", 422),
        ("frames/3.jpg?width=0", 422),
        ("frames/3.jpg?width=70000", 422),
        ("frames/3/crop.png?x=0&y=0&w=513&h=10", 422),
        ("frames/3/crop.png?x=0&y=0&w=10", 422),
        ("frames/60/crop.png?x=0&y=0&w=10&h=10", 404),
        ("preview/60.jpg", 404),
    ],
)
def test_what_cannot_be_asked_is_refused_with_a_sentence(path, status, made, client):
    answer = client.get(f"/api/clips/{kit.sha_of(client, 'short.mp4')}/{path}")
    assert answer.status_code == status
    assert answer.json()["error"]


def test_an_ordinal_past_the_end_is_named_with_those_there_are(made, client):
    answer = frame(client, kit.sha_of(client, "short.mp4"), 60)
    assert answer.json()["error"] == (
        "frame 60 is not in the clip, which has frames 0 to 59; name one of these"
    )


@pytest.mark.parametrize("body", [{"ordinal": -1}, {"ordinal": 3, "direction": 2}, {}])
def test_a_hint_that_means_nothing_is_refused(body, made, client):
    sha = kit.sha_of(client, "short.mp4")
    assert client.post(f"/api/clips/{sha}/here", json=body).status_code == 422


def test_a_hint_past_the_end_is_refused(made, client):
    sha = kit.sha_of(client, "short.mp4")
    assert client.post(f"/api/clips/{sha}/here", json={"ordinal": 60}).status_code == 404


def test_many_who_ask_for_one_frame_have_it_decoded_once(made, client, monkeypatch):
    sha, decodes = kit.sha_of(client, "long.mp4"), kit.Decodes(monkeypatch)
    with client.shelf.reader(sha) as reader, ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda _: reader.jpeg(200, 480), range(12)))
        assert len(set(answers)) == 1
        assert len(decodes) == 1
        wider = list(pool.map(lambda w: reader.jpeg(200, w), [200, 240, 280, 320]))
        assert len(set(wider)) == 4
        assert len(decodes) == 1


def test_frames_asked_for_all_at_once_are_each_the_one_named(made, client):
    sha, rng = kit.sha_of(client, "long.mp4"), random.Random(3)
    near = [rng.randrange(240, 252) for _ in range(40)]  # across the key frame at 250
    with client.shelf.reader(sha) as reader, ThreadPoolExecutor(5) as pool:
        for ordinal, data in zip(near, pool.map(lambda k: reader.jpeg(k, 640), near), strict=True):
            assert kit.counter_of(data) == ordinal


def test_stepping_back_over_a_key_frame_finds_the_frames_ready(made, client, monkeypatch):
    """Read-ahead decodes the group before the key frame while nobody waits."""
    sha = kit.sha_of(client, "long.mp4")
    frame(client, sha, 251)
    client.post(f"/api/clips/{sha}/here", json={"ordinal": 251, "direction": -1})
    with client.shelf.reader(sha) as reader:
        until(lambda: reader.key(251 - 16, 1280) in client.shelf.store)
    decodes = kit.Decodes(monkeypatch)
    for ordinal in range(250, 240, -1):
        assert kit.counter_of(frame(client, sha, ordinal).content) == ordinal
    assert [asked for asked in decodes.asked if asked[0] == "exact frame"] == []


def test_a_request_calls_read_ahead_off_between_two_pictures(made, client, monkeypatch):
    """With 20 ms a picture the refill before frame 251 takes 250 of them and five seconds."""
    sha = kit.sha_of(client, "long.mp4")
    frame(client, sha, 0)
    reads, read = [], Decoder.read

    def slow(decoder):
        time.sleep(0.02)
        reads.append(read(decoder))
        return reads[-1]

    monkeypatch.setattr(Decoder, "read", slow)
    client.post(f"/api/clips/{sha}/here", json={"ordinal": 251, "direction": -1})
    until(lambda: len(reads) > 12)
    before = len(reads)
    assert kit.counter_of(frame(client, sha, 252).content) == 252
    assert len(reads) - before < 40


def test_measuring_takes_the_picture_on_screen_without_decoding_it_again(made, client, monkeypatch):
    sha = kit.sha_of(client, "long.mp4")
    frame(client, sha, 180)
    with client.shelf.clip(sha) as clip:
        monkeypatch.setattr(Decoder, "feed", lambda self: pytest.fail("decoded again"))
        luma = clip.frame(180).luma
        monkeypatch.undo()
    with open_clip(made["long.mp4"]) as other:
        assert np.array_equal(luma, other.frame(180).luma)


class HungLane(Lane):
    """A decoder that never gives a picture for some frames."""

    hangs_at: frozenset[int] = frozenset()
    release = threading.Event()

    def decode(self, ordinal, stop):
        if ordinal in self.hangs_at:
            self.release.wait(20)
        return super().decode(ordinal, stop)


def test_a_decoder_that_hangs_is_given_up_with_a_sentence_and_replaced(made, client):
    sha = kit.sha_of(client, "long.mp4")
    with client.shelf.reader(sha) as reader:
        reader.hang_s = 0.5
        old = HungLane(reader.clip, reader.ring)
        old.hangs_at = frozenset({40})
        reader.lanes[:] = [old, old]
        answer = frame(client, sha, 40)
        assert answer.status_code == 503
        assert answer.json()["error"] == (
            "frame 40 could not be decoded: the decoder gave nothing for 0 s and was replaced; "
            "ask again, or use another frame"
        )
        assert reader.lanes[0] is not old
        assert kit.counter_of(frame(client, sha, 40).content) == 40
        HungLane.release.set()


def test_a_decoder_that_dies_is_replaced(made, client):
    class DeadLane(Lane):
        def decode(self, ordinal, stop):
            raise MemoryError("no more")

    sha = kit.sha_of(client, "short.mp4")
    with client.shelf.reader(sha) as reader:
        reader.lanes[:] = [DeadLane(reader.clip, reader.ring) for _ in range(2)]
        assert frame(client, sha, 5).status_code == 503
        assert frame(client, sha, 6).status_code in (200, 503)
        assert kit.counter_of(frame(client, sha, 7).content) == 7


def test_requests_that_the_page_has_left_behind_are_sent_away(made, client, monkeypatch):
    """Ten far jumps at once: the newest is answered first, the oldest not at all."""
    sha = kit.sha_of(client, "long.mp4")
    read = Decoder.read
    frame(client, sha, 0)
    monkeypatch.setattr(Decoder, "read", lambda self: (time.sleep(0.004), read(self))[1])
    order: list[tuple[int, int]] = []

    def ask(ordinal):
        order.append((ordinal, frame(client, sha, ordinal).status_code))

    jumps = [240, 70, 200, 20, 160, 90, 230, 45, 180, 5]
    threads = [threading.Thread(target=ask, args=(k,)) for k in jumps]
    for thread in threads:
        thread.start()
        time.sleep(0.03)
    for thread in threads:
        thread.join(20)
    statuses = dict(order)
    assert statuses[5] == 200
    assert set(statuses.values()) <= {200, 503}
    assert order.index((5, 200)) < 9
    assert len(order) == len(jumps)


def test_frames_of_a_cut_clip_are_shown_as_far_as_they_are_there(tmp_path, monkeypatch):
    path = kit.make_clip(tmp_path / "cut.mp4", muxer={"movflags": "faststart"}, count=60)
    with open_clip(path) as clip:
        sizes = clip.index.size
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) - sum(sizes[27:]) - sizes[26] * 2 // 3])
    with kit.page(kit.event_with(tmp_path / "event", path)) as client:
        sha = kit.sha_of(client, "cut.mp4")
        body = client.post(f"/api/clips/{sha}/open").json()
        lost = None
        for ordinal in range(body["facts"]["frame_count"]):
            answer = frame(client, sha, ordinal)
            if answer.status_code == 404:
                lost = ordinal
                assert answer.json()["error"] == (
                    f"frame {ordinal} cannot be decoded: its picture is missing or damaged in "
                    "the file; use another frame, or copy the clip from the camera again"
                )
        until(lambda: client.get(f"/api/clips/{sha}/cache").json()["state"] == "ready")
        assert lost is not None
        assert client.post(f"/api/clips/{sha}/open").json()["facts"]["missing"] == [lost]


def test_a_damaged_frame_is_shown_and_said_to_be_damaged(made, client):
    sha = kit.sha_of(client, "short.mp4")
    with client.shelf.clip(sha) as clip:
        clip.note_check((), (22, 23), ())
        assert frame(client, sha, 22).headers["x-frame-damaged"] == "1"
        assert "x-frame-damaged" not in frame(client, sha, 21).headers
        crop = client.get(f"/api/clips/{sha}/frames/23/crop.png?x=0&y=0&w=9&h=9")
        assert crop.headers["x-frame-damaged"] == "1"
        client.shelf.store.forget(sha)
