"""Small events to hand over, and ways to change a bundle as somebody would who means to deceive."""

import io
import json
import zipfile
from pathlib import Path

import av
import numpy as np

import clipmark
from clipmark.audit.bundle_manifest import read_manifest, sums_of, with_files
from clipmark.audit.bundle_record import JOURNAL, MANIFEST, SUMS
from clipmark.audit.bundle_zip import digest_of, write_container
from clipmark.record.canonical import sealed_line
from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading

LENS = json.dumps({"model": "ordinary", "fx": 700.0, "fy": 700.0, "cx": 31.5, "cy": 23.5})


def write_clip(path: Path, frames: int = 6, size=(64, 48), gop: int = 3, **more) -> None:
    """A clip of moving blocks, or of `noise` that no coder makes small; every frame another."""
    noise = more.pop("noise", False)
    rng = np.random.default_rng(7)
    with av.open(str(path), "w", options=more.pop("muxing", {})) as out:
        stream = out.add_stream(more.pop("codec", "libx264"), rate=30)
        stream.width, stream.height = size
        stream.pix_fmt = more.pop("pix_fmt", "yuv420p")
        stream.options = {"crf": "30", "g": str(gop), "threads": "1"} | more.pop("options", {})
        base = rng.integers(40, 200, (size[1] // 8, size[0] // 8), np.uint8)
        for number in range(frames):
            grey = np.kron(np.roll(base, number, 1), np.ones((8, 8), np.uint8))
            if noise:
                grey = rng.integers(16, 235, size[::-1], np.uint8)
            frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format=stream.pix_fmt)
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    assert not more


def told_reading(path: Path, frame: int) -> Reading:
    """A reading as it is saved, of numbers that nobody measured; frames and clip are real."""
    with clipmark.open_clip(path) as clip:
        shown = clip.frame(frame)
        result = {
            "ramp_deg": 44.98, "ramp_u95_deg": 0.3,
            "ramp_low95_deg": 44.68, "ramp_high95_deg": 45.28,
            "frame": frame, "t_s": shown.time_s, "clip_sha256": clip.sha256,
            "fingerprint": shown.fingerprint, "warnings": [], "settings": {"edge_fit": True},
            "budget": {"ramp_deg": [{"source": "level", "kind": "B", "u_deg": 0.15, "dof": None,
                                     "advice": "-"}]},
            "lines": {"ramp": {"marked": [[5, 40, 60, 10]], "measured": [5, 40, 60, 10]}},
        }  # fmt: skip
    return Reading.from_measured("angle", result, seed=1, draws=10)


def small_event(folder: Path, clip_name: str = "run 07.mp4", frame: int = 4, **clip) -> str:
    """An event with two attempts; gives the id of the second, which has clip, lens and stand."""
    folder.mkdir(parents=True)
    film = folder / clip_name
    write_clip(film, **clip)
    with EventFolder.create(folder / "event", name="Tarn Hollow Pocket Trials") as event:
        (event.path / "lenses" / "heron.json").write_text(LENS, encoding="utf-8")
        reference = event.add_clip(film)
        with clipmark.open_clip(film) as opened:
            proof = opened.frame(1).fingerprint
        event.save_stand(
            {"name": "left side", "reference_clip": reference, "reference_frame": 1,
             "reference_fingerprint": proof}, by="Fell", id="left",
        )  # fmt: skip
        event.save_attempt({"entry": "Wren", "test": "ladder", "verdict": "cleared"}, by="Marsh")
        line = event.save_attempt(
            {
                "entry": "Siskin", "test": "ladder", "verdict": "failed", "reason": "spun",
                "called_by": "Brook", "clip": reference, "stand": {"id": "left", "revision": 1},
                "lens": {"path": "lenses/heron.json"},
                "marks": [{"shape": "line", "role": "ramp", "x1": 5.0, "y1": 40.0, "x2": 60.0,
                           "y2": 10.0, "frame": frame}],
                "readings": [told_reading(film, frame)],
            },
            by="Fell",
        )  # fmt: skip
    return line.id


def members_of(data: bytes) -> dict[str, bytes]:
    """Everything in a bundle."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(members: dict[str, bytes]) -> bytes:
    """A container in the canonical form, its own sums right."""
    out = io.BytesIO()
    write_container(out.write, members, {n: digest_of(iter([d])) for n, d in members.items()})
    return out.getvalue()


def covered_up(members: dict[str, bytes], **manifest) -> bytes:
    """A bundle whose manifest, sums and container were all made anew for what it now holds."""
    inner = {name: data for name, data in members.items() if name not in (MANIFEST, SUMS)}
    digests = {name: digest_of(iter([data])) for name, data in inner.items()}
    told = read_manifest(members[MANIFEST]).model_copy(update=manifest)
    inner[MANIFEST] = with_files(told, digests).to_bytes()
    digests[MANIFEST] = digest_of(iter([inner[MANIFEST]]))
    return packed(inner | {SUMS: sums_of(digests)})


def rewritten(members: dict[str, bytes], attempt: str, change) -> bytes:
    """A bundle whose journal was written anew, every hash and every file drawn from it fitting.

    `change` gets the body of each revision of the attempt.
    """
    from clipmark.audit.bundle_manifest import Manifest
    from clipmark.audit.bundle_page import page_of
    from clipmark.audit.bundle_record import PAGE, read_record
    from clipmark.record.texts import plain

    lines, previous = [], "0" * 64
    for raw in members[JOURNAL].splitlines():
        fields = json.loads(raw)
        if fields["kind"] == "attempt" and fields["id"] == attempt:
            change(fields["body"])
        del fields["sha256"]
        line = sealed_line(fields | {"previous": previous})
        previous = line[-66:-2].decode()
        lines.append(line + b"\n")
    record = read_record(b"".join(lines), attempt)
    told = read_manifest(members[MANIFEST]).to_body()
    told |= {"attempt": record.place, "head": record.head}
    manifest = Manifest.model_validate(told | {"files": []})
    inner = members | record.members | {MANIFEST: plain_bytes(manifest)}
    inner[PAGE] = page_of(record, manifest)
    assert plain(manifest.head) == record.head
    return covered_up(inner)


def plain_bytes(manifest) -> bytes:
    return manifest.to_bytes()
