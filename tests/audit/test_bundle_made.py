"""Bundles as they are made: what is in them, what is refused, and what is said."""

import errno
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import clipmark as package
from clipmark.audit import bundle as room
from clipmark.audit.bundle import make_bundle
from clipmark.audit.bundle_checks import integrity_of
from clipmark.audit.bundle_cut import cut_clip, file_facts
from clipmark.audit.bundle_frames import StoredFrame, from_png, to_png
from clipmark.audit.bundle_howto import CHAIN_PROGRAM, FRAME_PROGRAM, LINE_COMMAND, SUMS_COMMAND
from clipmark.audit.bundle_record import JOURNAL, PAGE
from clipmark.audit.bundle_verify import verify_bundle
from clipmark.errors import AuditError, FolderError
from clipmark.record.audit_records import Protest, RulingRecord
from clipmark.record.folder import EventFolder
from clipmark.record.journal import Draft
from clipmark.record.readings import Reading
from tests.audit.bundle_small import members_of, small_event, told_reading, write_clip


@pytest.fixture(scope="module")
def there(tmp_path_factory):
    folder = tmp_path_factory.mktemp("there")
    return folder / "e" / "event", small_event(folder / "e")


@pytest.fixture
def own(tmp_path):
    """An event of this test's own, to be spoilt."""
    return tmp_path / "e" / "event", small_event(tmp_path / "e")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """An attempt whose angle was really measured, in the middle of a clip of three groups."""
    from tests.cli.conftest import HEIGHT, WIDTH, DrawnClip, draw

    folder = tmp_path_factory.mktemp("measured")
    film = folder / "board.mp4"
    import av
    import numpy as np

    picture, draws = draw(), np.random.default_rng(4)
    with av.open(str(film), "w") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {
            "crf": "14",
            "preset": "veryfast",
            "g": "30",
            "keyint_min": "30",
            "sc_threshold": "0",
        }
        sound = out.add_stream("aac", rate=48000)
        out.metadata["location"] = "+54.5000-003.1000/"
        for number in range(75):
            noisy = picture + draws.normal(0, 1.5, picture.shape)
            grey = np.clip(np.round(noisy), 16, 235).astype(np.uint8)
            planes = np.concatenate([grey, np.full((HEIGHT // 2, WIDTH), 128, np.uint8)])
            for packet in stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")):
                out.mux(packet)
            tone = av.AudioFrame.from_ndarray(
                np.zeros((1, 1600), np.float32), format="fltp", layout="mono"
            )
            tone.sample_rate, tone.pts = 48000, number * 1600
            for packet in sound.encode(tone):
                out.mux(packet)
        for one in (stream, sound):
            for packet in one.encode():
                out.mux(packet)
    drawn = DrawnClip(film)
    numbers = {name: [float(v) for v in getattr(drawn, name).split(",")]
               for name in ("ramp", "plumb")}  # fmt: skip
    with EventFolder.create(folder / "event", name="Tarn Hollow Pocket Trials") as event:
        with package.open_clip(film) as clip:
            reading = package.measure_angle(
                clip,
                52,
                edge_fit=False,
                draws=500,
                view_angle_deg=50,
                square_within_deg=1.0,
                **numbers,
            )
        line = event.save_attempt(
            {"entry": "Dunnock", "test": "ladder", "clip": event.add_clip(film),
             "readings": [Reading.from_measured("angle", reading.to_dict())]}, by="Marsh",
        )  # fmt: skip
    return folder / "event", line.id, film


def test_one_state_of_an_event_gives_one_file(there, tmp_path):
    made = [make_bundle(*there, tmp_path / f"{n}.zip") for n in (1, 2)]
    assert made[0].sha256 == made[1].sha256
    assert hashlib.sha256((tmp_path / "1.zip").read_bytes()).hexdigest() == made[0].sha256


def test_making_a_bundle_changes_nothing_in_the_event(there, tmp_path):
    def state():
        return {p: (p.stat().st_mtime_ns, p.is_dir() or p.read_bytes())
                for p in there[0].rglob("*")}  # fmt: skip

    before = state()
    make_bundle(*there, tmp_path / "b.zip", cut=True)
    assert state() == before


def test_everything_that_belongs_to_the_attempt_is_in_it(there, tmp_path):
    make_bundle(*there, tmp_path / "b.zip")
    assert sorted(members_of((tmp_path / "b.zip").read_bytes())) == [
        "SHA256SUMS", "clip/run-07.mp4", "frames/frame-000004.png", "frames/stand-000001.png",
        "manifest.json", "overlays/frame-000004.png", "overlays/stand-000001.png",
        "read-me-first.html", "record/attempt.json", "record/budget.csv", "record/event.toml",
        "record/journal.jsonl", "record/lens/heron.json", "record/marks.json",
        "record/readings.json", "record/session.json", "record/stand.json",
    ]  # fmt: skip


def test_a_cut_keeps_pictures_times_and_readings_and_leaves_sound_and_place(measured, tmp_path):
    event, attempt, film = measured
    made = make_bundle(event, attempt, tmp_path / "b.zip", cut=True)
    assert made.warnings == ()
    cut = made.manifest.clip.cut
    assert (cut.frames_before, cut.first_needed, cut.last_needed) == (30, 36, 68)
    data = members_of((tmp_path / "b.zip").read_bytes())[made.manifest.clip.member]
    (tmp_path / "short.mp4").write_bytes(data)
    with package.open_clip(film) as whole, package.open_clip(tmp_path / "short.mp4") as short:
        assert [t + cut.begins for t in short.times] == whole.times[30 : 30 + cut.frames]
        for ordinal in range(36, 69):
            assert short.frame(ordinal - 30).fingerprint == whole.frame(ordinal).fingerprint
    assert file_facts(film).words == ["sound", "the place of recording"]
    assert file_facts(tmp_path / "short.mp4").words == []
    check = verify_bundle(tmp_path / "b.zip")
    assert check.whole
    assert [replay.outcome for replay in check.replays] == ["equal"]


def verified_in_another_process(path: Path) -> dict:
    script = "import sys; from clipmark.cli.app import main; main(sys.argv[1:])"
    ran = subprocess.run(
        [sys.executable, "-c", script, "audit", "verify", path.name, "--json"],
        cwd=path.parent, capture_output=True, text=True, timeout=240, check=False,
        env=os.environ | {"PYTHONPATH": str(Path(package.__file__).parent.parent)},
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr + ran.stdout
    return json.loads(ran.stdout)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_every_attempt_of_the_sample_event_comes_back_in_another_process(tmp_path):
    """Whole, and cut: angle and crawl to the last digit, traces too."""
    from clipmark.cli.app import status_of

    assert status_of(["demo", str(tmp_path / "demo")]) == 0
    with EventFolder.open(tmp_path / "demo") as event:
        ids = [saved.id for saved in event.attempts()]
    assert len(ids) >= 5
    for number, attempt in enumerate(ids):
        out = tmp_path / f"{attempt}.zip"
        made = make_bundle(tmp_path / "demo", attempt, out, cut=bool(number % 2))
        assert made.warnings == ()
        told = verified_in_another_process(out)
        assert {reading["outcome"] for reading in told["readings"]} == {"equal"}, attempt
        failed = [stage for stage in told["stages"] if stage["outcome"] == "failed"]
        assert failed == [], attempt


def test_a_whole_clip_with_sound_and_place_is_warned_of(measured, tmp_path):
    made = make_bundle(measured[0], measured[1], tmp_path / "b.zip")
    (warning,) = made.warnings
    assert warning == (
        "the whole clip holds sound, the place of recording, and whoever gets the bundle gets that "
        "too; take only the span of the attempt to leave it out (--cut)"
    )


def attempt_of(event: Path, id: str):
    with EventFolder.open(event) as folder:
        return folder.attempt(id).attempt


def test_a_cut_begins_where_a_group_of_pictures_stands_for_itself(own, tmp_path):
    """Key frames 12 and 24 show pictures before their own, which need the group before."""
    film = tmp_path / "open.mkv"
    params = "open-gop=1:keyint=12:min-keyint=1:bframes=3:b-adapt=0:scenecut=0"
    write_clip(film, frames=40, gop=12, options={"x264-params": params})
    late = attempt_of(*own).model_copy(update={"readings": (told_reading(film, 30),)})
    assert cut_clip(film, late, tmp_path).shift == 0


@pytest.mark.parametrize(
    ("name", "more", "reason"),
    [("run.avi", {"codec": "mpeg4", "options": {"bf": "0"}}, "cannot be cut"),
     ("run.mkv", {"frames": 3}, ""), ("run.mov", {}, "")],
)  # fmt: skip
def test_what_cannot_be_cut_is_taken_whole_and_said(tmp_path, name, more, reason):
    attempt = small_event(tmp_path / "e", clip_name=name, frame=1, **more)
    body = attempt_of(tmp_path / "e" / "event", attempt)
    if not reason:
        assert cut_clip(tmp_path / "e" / name, body, tmp_path).path.suffix in (".mkv", ".mp4")
        return
    made = make_bundle(tmp_path / "e" / "event", attempt, tmp_path / "b.zip", cut=True)
    assert made.manifest.clip.cut is None
    assert reason in made.manifest.clip.not_cut_because
    assert any("taken whole" in warning for warning in made.warnings)


def test_a_cut_that_would_change_a_reading_is_not_made(there, tmp_path):
    """The reading of this event was never measured, so no cut can give it again."""
    made = make_bundle(*there, tmp_path / "b.zip", cut=True)
    assert made.manifest.clip.cut is None
    assert "the readings do not come out of the cut as they were" in "; ".join(made.warnings)


def test_a_reading_that_does_not_come_back_is_not_confirmed(there, tmp_path):
    make_bundle(*there, tmp_path / "b.zip")
    check = verify_bundle(tmp_path / "b.zip")
    assert not check.whole
    assert check.sentence.endswith("is NOT confirmed: see readings.")


def test_a_claim_and_its_text_stand_on_the_page_as_text(own, tmp_path):
    event, attempt = own
    with EventFolder.open(event) as folder:
        saved = folder.attempt(attempt)
        claim = {"measure": "ramp_deg", "relation": "at least", "value": 45.0, "by": "<b>Wren</b>"}
        body = saved.attempt.model_dump() | {"claim": claim, "note": "<script>alert(1)</script>"}
        folder.save_attempt(body, by="Brook", id=attempt, base_revision=saved.revision)
    make_bundle(event, attempt, tmp_path / "b.zip", note="<i>look</i>")
    page = members_of((tmp_path / "b.zip").read_bytes())[PAGE].decode()
    assert "&lt;b&gt;Wren&lt;/b&gt; claims that the ramp angle is at least 45°" in page
    assert "<script" not in page
    assert "&lt;i&gt;look&lt;/i&gt;" in page


def test_protest_and_ruling_are_told_with_what_footage_would_decide(own, tmp_path):
    event, attempt = own
    claim = {"measure": "ramp_deg", "relation": "above", "value": 45.0, "by": "Wren"}
    about = {"id": attempt, "revision": 1}
    protest = Protest(attempt=about, claim=claim, lodged_at="2026-05-16T14:00:00Z")
    ruling = RulingRecord(
        protest={"id": "p001", "revision": 1}, attempt=about, claim=claim,
        ruling={"outcome": "cannot decide", "probability": 0.4, "by": "Marsh"},
        basis={"would_decide": ["a sheet in the plane of motion"]},
    )  # fmt: skip
    with EventFolder.open(event) as folder:
        drafts = [Draft("protest", "p001", protest.to_body(), 0),
                  Draft("ruling", "r001", ruling.to_body(), 0)]  # fmt: skip
        folder.journal.append(drafts, by="Brook")
    make_bundle(event, attempt, tmp_path / "b.zip")
    members = members_of((tmp_path / "b.zip").read_bytes())
    page = members[PAGE].decode()
    assert (
        "Wren claims that the ramp angle is above 45° (protest p001, revision 1, handed in " in page
    )
    assert "The footage cannot decide the claim. The probability that it is true is 0.400." in page
    assert "<li>a sheet in the plane of motion</li>" in page
    assert "Failed, spun, called by Brook. No audit changes this call." in page
    assert json.loads(members["record/rulings.json"])[0]["body"]["ruling"]["by"] == "Marsh"


@pytest.mark.parametrize("form", ["gray", "yuv420p10le"])
def test_a_frame_proves_itself_by_hand(tmp_path, form):
    """8 bits and more: the program on the page computes the fingerprint from the PNG alone."""
    write_clip(tmp_path / "c.mkv", frames=2, codec="ffv1", pix_fmt=form, options={})
    with package.open_clip(tmp_path / "c.mkv") as clip:
        frame = clip.frame(1)
        (tmp_path / "f.png").write_bytes(to_png(StoredFrame(frame.luma, frame.bit_depth)))
        (tmp_path / "fingerprint.py").write_text(FRAME_PROGRAM)
        again = from_png((tmp_path / "f.png").read_bytes(), frame.bit_depth, "f")
        assert again.fingerprint == frame.fingerprint
        ran = subprocess.run(
            [sys.executable, "-I", "fingerprint.py", "f.png", str(frame.bit_depth)],
            cwd=tmp_path, capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert ran.stdout.strip() == frame.fingerprint


def test_the_pictures_are_png_files_as_others_read_them(tmp_path):
    import cv2
    import numpy as np

    deep = np.arange(48 * 64, dtype=np.uint16).reshape(48, 64)
    (tmp_path / "f.png").write_bytes(to_png(StoredFrame(deep, 12)))
    assert np.array_equal(cv2.imread(str(tmp_path / "f.png"), cv2.IMREAD_UNCHANGED), deep)


def test_the_commands_on_the_page_check_a_bundle_without_clipmark(there, tmp_path):
    import zipfile

    made = make_bundle(*there, tmp_path / "b.zip")
    zipfile.ZipFile(tmp_path / "b.zip").extractall(tmp_path / "out")

    def run(command):
        return subprocess.run(
            command, cwd=tmp_path / "out", capture_output=True, text=True, check=False
        )

    assert run(["sh", "-c", SUMS_COMMAND]).returncode == 0
    chain = run([sys.executable, "-I", "-c", CHAIN_PROGRAM])
    assert chain.stdout.split()[-1] == made.manifest.head.sha256
    line = run(["sh", "-c", LINE_COMMAND.format(seq=made.manifest.attempt.seq)])
    assert line.stdout.split()[0] == made.manifest.attempt.sha256
    journal = tmp_path / "out" / JOURNAL
    journal.write_bytes(journal.read_bytes().replace(b"Brook", b"Broom"))
    assert run([sys.executable, "-I", "-c", CHAIN_PROGRAM]).returncode != 0
    assert run(["sh", "-c", SUMS_COMMAND]).returncode != 0


def test_a_file_that_is_there_is_never_replaced(there, tmp_path):
    (tmp_path / "b.zip").write_bytes(b"mine")
    with pytest.raises(FolderError, match="a bundle replaces nothing"):
        make_bundle(*there, tmp_path / "b.zip")
    assert (tmp_path / "b.zip").read_bytes() == b"mine"


def test_a_missing_clip_is_refused_and_can_be_left_out(own, tmp_path):
    event, attempt = own
    next((event / "clips").iterdir()).unlink()
    with pytest.raises(AuditError, match=r"is not there.*\(--without-clip\)"):
        make_bundle(event, attempt, tmp_path / "b.zip")
    made = make_bundle(event, attempt, tmp_path / "b.zip", without_clip=True)
    assert "nobody can repeat the readings" in made.warnings[0]
    check = verify_bundle(tmp_path / "b.zip")
    assert check.whole
    assert {s.name for s in check.stages if s.outcome == "not checked"} >= {"decoded", "readings"}


def test_an_attempt_without_a_clip_can_be_handed_over(there, tmp_path):
    made = make_bundle(there[0], "a0001", tmp_path / "b.zip")
    assert made.manifest.left_out == ("a clip: the attempt has none",)
    assert verify_bundle(tmp_path / "b.zip").whole


def test_a_journal_with_a_fault_is_handed_over_loudly_and_never_confirmed(own, tmp_path):
    event, attempt = own
    journal = event / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"Brook", b"Broom"))
    made = make_bundle(event, attempt, tmp_path / "b.zip")
    assert made.warnings[0].startswith("THE JOURNAL HAS A FAULT")
    found = integrity_of(tmp_path / "b.zip")
    assert "its hash does not fit" in next(s for s in found.failed if s.name == "journal").sentence
    assert b"The journal in this bundle has a fault" in members_of(
        (tmp_path / "b.zip").read_bytes()
    )[PAGE]  # fmt: skip


def test_an_attempt_that_is_not_there_is_named(there, tmp_path):
    with pytest.raises(AuditError, match="there is no attempt a0099 in the journal"):
        make_bundle(there[0], "a0099", tmp_path / "b.zip")


def test_a_full_disk_leaves_nothing_behind(there, tmp_path, monkeypatch):
    def full(write, contents, digests):
        write(b"PK")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(room, "write_container", full)
    with pytest.raises(FolderError, match="the disk is full"):
        make_bundle(*there, tmp_path / "b.zip")
    assert [path.name for path in tmp_path.iterdir() if path.name != "cache"] == []


def test_a_folder_that_is_not_there_is_a_sentence(there, tmp_path):
    with pytest.raises(FolderError, match="cannot write the bundle"):
        make_bundle(*there, tmp_path / "none" / "b.zip")


def test_the_command_line_gives_2_for_a_bundle_that_is_not_confirmed(there, tmp_path, capsys):
    from clipmark.cli.app import status_of

    out = str(tmp_path / "b.zip")
    assert status_of(["audit", "bundle", str(there[0]), there[1], out]) == 0
    assert "SHA-256 of the bundle" in capsys.readouterr().out
    assert status_of(["audit", "verify", out]) == 2
    assert "FAILED" in capsys.readouterr().out
    (tmp_path / "b.zip").write_bytes((tmp_path / "b.zip").read_bytes()[:-9])
    assert status_of(["audit", "verify", out]) == 2
    assert "the bundle is damaged: its end is missing" in capsys.readouterr().err
