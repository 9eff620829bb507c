"""Clips are found by what is in them; few are open; one in use is never closed."""

import threading
import time

import av
import pytest

from clipmark.errors import FrameError, PageError
from clipmark.page import shelf as shelf_module
from clipmark.page.frame_store import FrameStore, Once
from clipmark.page.lanes import PlaceRing
from clipmark.page.page_cache import PackWriter
from clipmark.page.readahead import ReadAhead, neighbours
from clipmark.page.shelf import Shelf
from tests.page import frames_kit as kit


@pytest.fixture(autouse=True)
def own_cache_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="module")
def five(tmp_path_factory):
    folder = tmp_path_factory.mktemp("five")
    return [kit.make_clip(folder / f"run-{n}.mp4", count=8 + n) for n in range(5)]


@pytest.fixture
def event(five, tmp_path):
    return kit.event_with(tmp_path / "event", *five)


def test_listing_opens_nothing_and_names_no_path(event, monkeypatch):
    with kit.page(event) as client:
        monkeypatch.setattr(
            "clipmark.page.shelf.open_clip", lambda *a, **k: pytest.fail("opened a clip")
        )
        answer = client.get("/api/clips")
        listed = answer.json()["clips"]
    assert [clip["name"] for clip in listed] == [f"run-{n}.mp4" for n in range(5)]
    assert {clip["facts"] for clip in listed} == {None}
    assert {clip["cache"]["state"] for clip in listed} == {"none"}
    assert str(event) not in answer.text


def test_facts_stay_known_after_the_clip_was_closed(event):
    with kit.page(event, most_open=1) as client:
        shas = [clip["sha"] for clip in client.get("/api/clips").json()["clips"]]
        for sha in shas[:3]:
            with client.shelf.clip(sha):
                pass
        facts = [clip["facts"] for clip in client.get("/api/clips").json()["clips"]]
    assert [f and f["frame_count"] for f in facts] == [8, 9, 10, None, None]


def test_times_are_those_of_the_clip(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "run-2.mp4")
        times = client.get(f"/api/clips/{sha}/times").json()["times_s"]
    assert times == pytest.approx([k / 30 for k in range(10)], abs=1e-9)


@pytest.mark.parametrize(
    "name", ["0" * 64, "../../etc/passwd", "run-0.mp4", "..%2Fclips%2Frun-0.mp4", "A" * 64]
)
def test_a_clip_is_not_to_be_had_by_any_other_name(name, event):
    with kit.page(event) as client:
        answer = client.post(f"/api/clips/{name}/open")
        assert answer.status_code in (404, 405, 422)
        assert answer.json()["error"]


def test_an_unknown_clip_is_refused_with_what_to_do(event):
    shelf = Shelf(event)
    with pytest.raises(PageError) as refusal:
        shelf.find("ab" * 32)
    assert str(refusal.value) == (
        "no clip of this event has the content abababababab...; put its file into clips/ and list "
        "the clips again"
    )


def test_what_is_no_footage_is_listed_with_the_reason(event):
    (event / "clips" / "notes.mp4").write_text("not a clip")
    with kit.page(event) as client:
        sha = kit.sha_of(client, "notes.mp4")
        refused = client.post(f"/api/clips/{sha}/open")
        assert refused.status_code == 400
        listed = client.get("/api/clips").json()["clips"]
        clip = next(clip for clip in listed if clip["sha"] == sha)
        assert (clip["readable"], clip["sentence"]) == (False, refused.json()["error"])


def test_a_clip_added_later_is_found_and_one_taken_away_is_gone(event, tmp_path):
    shelf = Shelf(event)
    before = {one.sha256 for one in shelf.refresh()}
    new = kit.make_clip(event / "clips" / "late.mp4", count=5)
    added = {one.sha256 for one in shelf.refresh()} - before
    assert len(added) == 1
    with shelf.clip(*added) as clip:
        assert clip.frame_count == 5
    new.unlink()
    shelf.refresh()
    with pytest.raises(PageError):
        shelf.find(*added)
    shelf.close()


def test_no_more_clips_are_open_than_allowed_and_none_is_closed_in_use(event):
    shelf = Shelf(event, most_open=2)
    shas = [one.sha256 for one in shelf.refresh()]
    with shelf.clip(shas[0]) as held:
        for sha in shas[1:]:
            with shelf.clip(sha) as clip:
                clip.frame(3)
        held.frame(7)
        assert len(shelf._open) == 2
    shelf._drop(shas[0])
    with pytest.raises(FrameError):
        held.frame(6)
    shelf.close()


def test_a_clip_that_changes_on_disk_is_not_shown_under_its_old_name(tmp_path):
    event = kit.event_with(tmp_path / "event")
    path = kit.make_clip(event / "clips" / "run.mp4", count=30)
    with kit.page(event) as client:
        sha = kit.sha_of(client, "run.mp4")
        assert client.post(f"/api/clips/{sha}/open").status_code == 200
        client.shelf.caches.close()
        kit.make_clip(path, count=12)
        answer = client.get(f"/api/clips/{sha}/frames/25.jpg")
        assert answer.status_code in (400, 404)
        assert answer.json()["error"]
        now = kit.sha_of(client, "run.mp4")
        assert now != sha
        assert kit.counter_of(client.get(f"/api/clips/{now}/frames/9.jpg").content) == 9


def test_many_threads_may_open_and_leave_clips_at_once(event):
    shelf = Shelf(event, most_open=2)
    shas, wrong = [one.sha256 for one in shelf.refresh()], []

    def work(seed: int) -> None:
        for turn in range(12):
            n = (seed * 3 + turn * (seed + 1)) % 5
            with shelf.reader(shas[n]) as reader:
                if kit.counter_of(reader.jpeg(turn % 8, 640)) != turn % 8:
                    wrong.append((n, turn))

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not any(thread.is_alive() for thread in threads)
    assert wrong == []
    shelf.close()


def test_the_store_keeps_to_its_bytes_and_drops_what_was_not_asked_for():
    store = FrameStore(limit_bytes=1000)
    for k in range(5):
        store.put(("s", k, 1), bytes(200))
    store.get(("s", 0, 1))
    store.put(("s", 9, 1), bytes(300))
    assert store.bytes_held <= 1000
    assert [k for k in range(10) if ("s", k, 1) in store] == [0, 3, 4, 9]
    store.put(("s", 9, 1), bytes(100))
    assert store.bytes_held == 700
    store.forget("s")
    assert (len(store), store.bytes_held) == (0, 0)


def test_the_ring_keeps_what_is_nearest_to_the_place():
    class Piece:
        nbytes = 10

    ring = PlaceRing(limit_bytes=90)
    ring.move(20)
    for k in range(100):
        ring.put(k, Piece())
    assert sorted(ring._held) == list(range(16, 25))
    ring.move(20, -1)
    for k in range(10, 30):
        ring.put(k, Piece())
    assert sorted(ring._held) == list(range(15, 24))  # going back, more of what lies behind


def test_what_is_made_for_one_reaches_all_who_wait_and_errors_too():
    once, go, made = Once(), threading.Event(), []

    def make():
        go.wait(5)
        made.append(1)
        raise KeyError("no")

    def ask():
        with pytest.raises(KeyError):
            once.do("k", make)
        asked.append(1)

    asked: list[int] = []
    threads = [threading.Thread(target=ask) for _ in range(6)]
    for thread in threads:
        thread.start()
    while threading.active_count() < 7:
        pass
    threading.Event().wait(0.1)
    go.set()
    for thread in threads:
        thread.join(5)
    assert (len(made), len(asked)) == (1, 6)


def test_read_ahead_goes_nearest_first_and_further_where_the_work_goes():
    assert list(neighbours(1))[:6] == [1, 2, -1, 3, 4, -2]
    assert list(neighbours(-1))[:3] == [-1, -2, 1]
    assert sorted(neighbours(0)) == [*range(-12, 0), *range(1, 13)]
    assert sorted(neighbours(1)) == [*range(-12, 0), *range(1, 17)]


@pytest.fixture
def hurt(tmp_path):
    """An event of three clips, the packets of frames 22 to 31 of the first overwritten."""
    path = kit.make_clip(tmp_path / "hurt.mp4", count=60)
    with av.open(str(path)) as container:
        packets = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    data = bytearray(path.read_bytes())
    for place, size in packets[22:32]:
        data[place + size // 2 : place + size] = b"\x5a" * (size - size // 2)
    path.write_bytes(data)
    others = [kit.make_clip(tmp_path / f"whole-{n}.mp4", count=6 + n) for n in range(2)]
    return kit.event_with(tmp_path / "event", path, *others)


@pytest.mark.parametrize("cached", [True, False])
def test_a_clip_closed_for_the_sake_of_others_still_knows_its_damage(cached, hurt, monkeypatch):
    """Else its damaged frames would be measured on once two other clips had been looked at."""
    if not cached:
        monkeypatch.setattr(
            PackWriter, "add", lambda *_: (_ for _ in ()).throw(OSError(28, "full"))
        )
    with kit.page(hurt, most_open=1) as client:
        shelf = client.shelf
        first, *others = (one.sha256 for one in shelf.refresh())
        with shelf.clip(first) as clip:
            shelf.caches.want(clip)
            while shelf.caches.state(first).state == "building":
                time.sleep(0.01)
            known = clip.damaged
        assert known
        for sha in others:
            with shelf.clip(sha):
                pass
        assert first not in shelf._open
        for anew in (shelf.clip(first), shelf.apart(first, 240.0)):
            with anew as clip:
                assert clip.damaged == known
                with pytest.raises(FrameError, match="damaged part of the file"):
                    clip.frame(min(known))


def test_a_clip_that_was_being_opened_when_the_page_closed_is_closed_too(event, monkeypatch):
    shelf = Shelf(event)
    sha = shelf.refresh()[0].sha256
    made, open_one = [], shelf_module.open_clip

    def open_late(*given, **how):
        shelf.close()
        made.append(open_one(*given, **how))
        return made[-1]

    monkeypatch.setattr(shelf_module, "open_clip", open_late)
    with (
        pytest.raises(PageError, match=r"^the page is being closed; start it again$"),
        shelf.clip(sha),
    ):
        pass
    with pytest.raises(FrameError, match="closed"):
        made[0].frame(0)


def test_a_clip_not_worked_on_any_more_is_not_read_ahead(event):
    with kit.page(event) as client:
        shelf = client.shelf
        shas = [one.sha256 for one in shelf.refresh()]
        shelf.here(shas[0], 3, 1, 640)
        with shelf.reader(shas[0]) as reader:
            end = time.monotonic() + 10
            while len(reader.ring) < 7:
                assert time.monotonic() < end, "nothing was read ahead"
                time.sleep(0.01)
        for sha in shas[1:3]:
            shelf.here(sha, 3, 1, 640)
        assert shelf._open[shas[0]].ahead._hint is None
        assert len(shelf._open[shas[0]].reader.ring) == 0
        shelf.here(shas[0], 3, 1, 640)  # and is again, when the work comes back
        with shelf.reader(shas[0]) as reader:
            while reader.key(2, 640) not in reader.store:
                assert time.monotonic() < end, "nothing was read ahead"
                time.sleep(0.01)


def test_read_ahead_that_died_is_begun_anew(event, monkeypatch):
    monkeypatch.setattr(threading, "excepthook", lambda told: None)
    with kit.page(event) as client:
        shelf = client.shelf
        sha = shelf.refresh()[0].sha256
        with monkeypatch.context() as patch:
            patch.setattr(ReadAhead, "_round", lambda *_: 1 / 0)
            shelf.here(sha, 2, 1, 640)
            shelf._open[sha].ahead._thread.join(10)
        shelf.here(sha, 3, 1, 640)
        assert shelf._open[sha].ahead._thread.is_alive()
