"""The page cache: made in the checking pass, found again, bounded, and never trusted blindly."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time

import av
import cv2
import numpy as np
import pytest

from clipmark.clip import check, open_clip
from clipmark.clip.decoder import Decoder
from clipmark.page import page_cache
from clipmark.page.page_builder import MOST_PACKS
from clipmark.page.page_cache import PackError, PackWriter, make_room, open_pack, pages_folder
from tests.page import frames_kit as kit

SHA = "5a" * 32


@pytest.fixture(autouse=True)
def own_cache_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="module")
def long_clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("made") / "long.mp4"
    return kit.make_clip(path, count=120, params=kit.LONG_GROUP)


@pytest.fixture
def event(long_clip, tmp_path):
    return kit.event_with(tmp_path / "event", long_clip)


def built(client, sha, limit_s=20.0):
    """Open a clip and wait for its cache to come to an end."""
    client.post(f"/api/clips/{sha}/open")
    end = time.monotonic() + limit_s
    while (state := client.get(f"/api/clips/{sha}/cache").json())["state"] == "building":
        assert time.monotonic() < end, "never ended"
        time.sleep(0.01)
    return state


def preview(client, sha, ordinal, **how):
    return client.get(f"/api/clips/{sha}/preview/{ordinal}.jpg", **how)


def pack_path(sha):
    return pages_folder() / sha / "frames.pack"


def test_one_pass_checks_the_clip_and_makes_a_picture_of_every_frame(event, monkeypatch):
    reads, read = [], Decoder.read

    def counted(decoder):
        shown = read(decoder)
        reads.append(shown)
        return shown

    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        with client.shelf.clip(sha):
            monkeypatch.setattr(Decoder, "read", counted)
            assert built(client, sha) == {
                "state": "ready",
                "done": 120,
                "total": 120,
                "every": 1,
            }
        assert len([shown for shown in reads if shown]) == 120  # decoded once, for both ends
        assert client.post(f"/api/clips/{sha}/open").json()["facts"]["checked"] is True
        for ordinal in range(120):
            answer = preview(client, sha, ordinal)
            assert answer.headers["x-frame-ordinal"] == str(ordinal)
            assert kit.counter_of(answer.content) == ordinal
        etag = answer.headers["etag"]
        again = preview(client, sha, 119, headers={"if-none-match": etag})
        assert (again.status_code, again.content) == (304, b"")


def test_the_pass_finds_what_the_check_alone_finds(tmp_path):
    """Ten packets overwritten: the same frames are called damaged with and without the cache."""
    path = kit.make_clip(tmp_path / "hurt.mp4", count=60)
    with av.open(str(path)) as container:
        packets = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    data = bytearray(path.read_bytes())
    for place, size in packets[22:32]:
        data[place + size // 2 : place + size] = b"\x5a" * (size - size // 2)
    path.write_bytes(data)
    with open_clip(path) as clip:
        alone = check(clip)
    assert alone.damaged
    for _ in range(2):  # built, then remembered at the next start
        with kit.page(kit.event_with(tmp_path / "event", *([path] if not _ else []))) as client:
            sha = kit.sha_of(client, "hurt.mp4")
            assert built(client, sha)["state"] == "ready"
            facts = client.post(f"/api/clips/{sha}/open").json()["facts"]
            assert tuple(facts["damaged"]) == alone.damaged
            assert tuple(facts["missing"]) == alone.missing
            assert str(alone.findings[0]) in facts["warnings"]
            hurt = client.get(f"/api/clips/{sha}/frames/{alone.damaged[0]}.jpg")
            assert hurt.headers["x-frame-damaged"] == "1"


def test_the_next_start_finds_it_and_decodes_nothing(event, monkeypatch):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        built(client, sha)
    with kit.page(event) as client, client.shelf.clip(sha):
        monkeypatch.setattr(Decoder, "feed", lambda self: pytest.fail("decoded"))
        assert built(client, sha)["state"] == "ready"
        assert kit.counter_of(preview(client, sha, 77).content) == 77


def test_pictures_are_small_and_upright(tmp_path):
    path = kit.make_clip(
        tmp_path / "tall.mp4",
        count=4,
        size=(1920, 1080),
        matrix=kit.clips.MATRICES["turned 90"],
        picture=lambda k: kit.counted_picture(k, 1920, 1080),
    )
    with kit.page(kit.event_with(tmp_path / "event", path)) as client:
        sha = kit.sha_of(client, "tall.mp4")
        built(client, sha)
        small = kit.seen(client.shelf.caches.get(sha, 2))
    assert small.shape == (960, 540, 3)
    with open_clip(path) as clip:
        true = cv2.resize(clip.frame(2).bgr(), (540, 960), interpolation=cv2.INTER_AREA)
    assert np.abs(small.astype(float) - true).mean() < 6


def small_pack(total=100, size=1000, limit=20_000, folder=None):
    writer = PackWriter(folder or pages_folder() / SHA, SHA, limit)
    for k in range(total):
        writer.add(k, k.to_bytes(2, "big") * (size // 2))
    return writer


def test_a_long_clip_is_thinned_to_its_bound():
    writer = small_pack()
    pack = writer.finish({"frame_count": 100})
    assert pack.every == 8
    assert pack_path(SHA).stat().st_size <= 20_000 + 2_000  # its list comes on top
    assert [k for k in range(100) if k in pack] == list(range(0, 100, 8))
    again = open_pack(SHA)
    assert again.every == 8
    for k in range(0, 100, 8):
        assert again.get(k) == k.to_bytes(2, "big") * 500
    assert [again.nearest(k, 8) for k in (0, 7, 8, 99)] == [0, 0, 8, 96]
    assert [p.name for p in pages_folder().rglob("*") if p.is_file()] == ["frames.pack"]


def test_a_thinned_cache_shows_the_frame_before_and_says_so_until_the_exact_one_is_there(event):
    with kit.page(event) as client:
        client.shelf.caches._clip_bytes = 150_000
        sha = kit.sha_of(client, "long.mp4")
        every = built(client, sha)["every"]
        assert every > 1
        asked = 5 * every + every - 1
        answer = preview(client, sha, asked)
        assert answer.headers["x-frame-ordinal"] == str(5 * every)
        assert answer.headers["cache-control"] == "no-store"
        assert "etag" not in answer.headers
        assert kit.counter_of(answer.content) == 5 * every
        client.get(f"/api/clips/{sha}/frames/{asked}.jpg")
        filled = preview(client, sha, asked)  # filled in around the work
        assert filled.headers["x-frame-ordinal"] == str(asked)
        assert kit.counter_of(filled.content) == asked


def test_while_it_is_built_only_what_is_near_is_shown(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        with client.shelf.clip(sha), client.shelf.right_of_way.take():
            client.post(f"/api/clips/{sha}/open")
            time.sleep(0.2)
            answer = preview(client, sha, 90)
        assert answer.status_code == 404
        assert answer.json()["error"] == (
            "there is no small picture near frame 90 yet; wait for the exact frame"
        )


def test_the_pass_stands_still_while_somebody_waits_for_an_answer(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        with client.shelf.right_of_way.take():
            client.post(f"/api/clips/{sha}/open")
            time.sleep(0.3)
            before = client.shelf.caches.state(sha).done
            time.sleep(0.3)
            assert client.shelf.caches.state(sha).done == before < 10
        assert built(client, sha)["state"] == "ready"


def test_it_can_be_stopped_and_leaves_nothing(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        with client.shelf.right_of_way.take():
            client.post(f"/api/clips/{sha}/open")
            client.post(f"/api/clips/{sha}/check/stop")
        end = time.monotonic() + 5
        while client.get(f"/api/clips/{sha}/cache").json()["state"] != "none":
            assert time.monotonic() < end
            time.sleep(0.01)
        assert not any(path.is_file() for path in pages_folder().rglob("*"))
        assert built(client, sha)["state"] == "ready"  # and can be begun again


KILLED = """
import sys, time
from pathlib import Path
from clipmark.page.shelf import Shelf
from clipmark.clip.decoder import Decoder
read = Decoder.read
Decoder.read = lambda self: (time.sleep(0.02), read(self))[1]
shelf = Shelf(Path(sys.argv[1]))
sha = shelf.refresh()[0].sha256
with shelf.clip(sha) as clip:
    shelf.caches.want(clip)
    while shelf.caches.state(sha).done < 30:
        time.sleep(0.01)
    print("half", flush=True)
    time.sleep(30)
"""


def test_killed_in_the_middle_it_is_made_anew_at_the_next_start(event):
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(event)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "half\n"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    (part,) = [path for path in pages_folder().rglob("*") if path.is_file()]
    assert part.name.endswith(".part")
    os.utime(part, (time.time() - 1000,) * 2)
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        assert built(client, sha)["state"] == "ready"
        assert kit.counter_of(preview(client, sha, 100).content) == 100
    assert [p.name for p in pages_folder().rglob("*") if p.is_file()] == ["frames.pack"]


def test_deleted_while_it_is_built_or_used_nothing_breaks(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        client.post(f"/api/clips/{sha}/open")
        while client.shelf.caches.state(sha).done < 5:
            time.sleep(0.001)
        shutil.rmtree(pages_folder())
        assert built(client, sha)["state"] in ("ready", "failed")
        assert client.get(f"/api/clips/{sha}/frames/60.jpg").status_code == 200
        assert preview(client, sha, 60).status_code == 200
    with kit.page(event) as client:
        assert built(client, sha)["state"] == "ready"
        shutil.rmtree(pages_folder())
        assert preview(client, sha, 61).status_code in (200, 404)
    with kit.page(event) as client:
        assert built(client, sha)["state"] == "ready"


def test_a_picture_altered_on_disk_is_never_shown_and_the_cache_is_made_anew(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        built(client, sha)
    place = open_pack(sha)._entries[50].offset + 700
    data = bytearray(pack_path(sha).read_bytes())
    data[place] ^= 0x55
    pack_path(sha).write_bytes(data)
    with kit.page(event) as client:
        assert built(client, sha)["state"] == "ready"
        first = preview(client, sha, 50)
        assert first.status_code == 404 or first.headers["x-frame-ordinal"] != "50"
        assert built(client, sha)["state"] == "ready"
        assert kit.counter_of(preview(client, sha, 50).content) == 50


def test_however_a_pack_is_cut_or_altered_it_is_refused_or_right():
    small_pack(total=12, limit=1 << 20).finish({"frame_count": 12})
    whole, rng = pack_path(SHA).read_bytes(), random.Random(11)
    right = refused = 0
    for turn in range(400):
        data = bytearray(whole)
        if turn % 2:
            del data[rng.randrange(len(data)) :]
        else:
            for _ in range(rng.randrange(1, 4)):
                data[rng.randrange(len(data) - 700, len(data))] = rng.randrange(256)
        pack_path(SHA).write_bytes(data)
        pack = open_pack(SHA)
        if pack is None:
            assert not pack_path(SHA).exists()
            continue
        for k in range(12):
            try:
                assert pack.get(k) == k.to_bytes(2, "big") * 500
                right += 1
            except PackError:
                refused += 1
        pack.close()
    assert right
    assert refused


def test_a_pack_of_another_clip_or_decoder_is_not_taken(monkeypatch):
    small_pack(total=5).finish({})
    with pytest.raises(PackError):
        page_cache.Pack.open(pack_path(SHA), "66" * 32)
    monkeypatch.setattr(page_cache, "decoder_name", lambda: "another")
    assert open_pack(SHA) is None


def test_packs_not_used_longest_leave_first_when_all_together_grow_too_large():
    shas = [f"{n:02x}" * 32 for n in range(6)]
    for n, sha in enumerate(shas):
        writer = PackWriter(pages_folder() / sha, sha)
        writer.add(0, bytes(1000))
        writer.finish({})
        os.utime(pack_path(sha), (1000 + n, 1000 + n))
    open_pack(shas[0]).close()  # used now
    size = pack_path(shas[0]).stat().st_size
    make_room(frozenset({shas[1]}), 3 * size + 10)
    assert [sha for sha in shas if pack_path(sha).exists()] == [shas[0], shas[1], shas[5]]


def test_few_packs_are_held_open_and_all_can_be_read(tmp_path):
    """Many clips looked at in a day: their files are not all held, and their bytes stay bounded."""
    made = [kit.make_clip(tmp_path / f"run-{n}.mp4", count=6 + n) for n in range(5)]
    with kit.page(kit.event_with(tmp_path / "event", *made)) as client:
        caches = client.shelf.caches
        shas = [one.sha256 for one in client.shelf.refresh()]
        for sha in shas:
            assert built(client, sha)["state"] == "ready"
        assert len(caches._packs) == MOST_PACKS
        for n, sha in enumerate(shas):
            assert kit.counter_of(preview(client, sha, n).content) == n
            assert len(caches._packs) == MOST_PACKS
        pack_path(shas[0]).unlink()  # while it was closed: made anew
        assert caches.get(shas[0], 0) is None
        assert built(client, shas[0])["state"] == "ready"
        assert kit.counter_of(preview(client, shas[0], 4).content) == 4


def test_a_clip_opened_again_while_its_pass_is_told_to_end_is_cached_all_the_same(event):
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        with client.shelf.right_of_way.take():
            client.post(f"/api/clips/{sha}/open")
            time.sleep(0.1)  # the pass has begun, and stands
            client.post(f"/api/clips/{sha}/check/stop")
            client.post(f"/api/clips/{sha}/open")
        end = time.monotonic() + 20
        while client.shelf.caches.state(sha).state == "building":
            assert time.monotonic() < end, "never ended"
            time.sleep(0.01)
        assert client.shelf.caches.state(sha).state == "ready"


def test_a_full_disk_costs_the_cache_but_not_the_check(event, monkeypatch):
    def full(self, ordinal, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(PackWriter, "add", full)
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        assert built(client, sha)["state"] == "failed"
        assert client.post(f"/api/clips/{sha}/open").json()["facts"]["checked"] is True
        assert client.get(f"/api/clips/{sha}/frames/60.jpg").status_code == 200
    assert not any(path.is_file() for path in pages_folder().rglob("*"))


def test_a_cache_folder_that_cannot_be_made_costs_nothing_else(event, tmp_path, monkeypatch):
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    with kit.page(event) as client:
        sha = kit.sha_of(client, "long.mp4")
        assert built(client, sha)["state"] == "failed"
        assert kit.counter_of(client.get(f"/api/clips/{sha}/frames/60.jpg").content) == 60
