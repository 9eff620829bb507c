"""A small drawn event: one clip of 20 frames at uneven times, attempts with made-up readings."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pandas as pd

from clipmark.evidence import keep_trace
from clipmark.record.folder import EventFolder

WIDTH, HEIGHT = 640, 360
# Ticks of 1/90000 s: thirty a second, then uneven, one frame late.
TICKS = [0, 3000, 6000, 9000, 12000, 15000, 18100, 20900, 24000, 33000, 36000, 39000, 42010, 45000,
         48000, 51000, 54000, 57000, 60000, 63333]  # fmt: skip
NASTY = [
    '<script>alert("x")</script>',
    '=HYPERLINK("http://example.org","x"), \'quoted\' & more',
    "\N{TRACTOR} \N{CJK UNIFIED IDEOGRAPH-5C71} $x_2$ {{ 7*7 }}",
    "W" * 200,
]
SHEET = """
[event]
name = "Tarn Hollow <b>Pocket</b> Trials"
date = "2026-05-16"
place = "back room"

[[test]]
id = "board ladder"
kind = "ladder"
steps_deg = [30, 35, 40]
tries_per_step = 3
points = [[30, 0], [40, 100]]

[[test]]
id = "creep"
kind = "smoothness"
measure = "ripple"
points = [[0.05, 100], [0.5, 0]]

[[entry]]
name = "Siskin"
driver = "K. Fell"
"""


def picture(number: int) -> np.ndarray:
    """A board that rises to the right, a square that goes along; grey levels, (H, W)."""
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    out = np.full((HEIGHT, WIDTH), 150, np.uint8)
    out[np.abs(y - (320 - 0.5 * (x - 60))) < 8] = 60
    out[60:110, 200 + 8 * number : 260 + 8 * number] = 220
    out[20:60, 20:90] = np.where((x // 4 + y // 4) % 2, 240, 20)[20:60, 20:90]  # a number plate
    return out


def write_clip(path: Path, *, sound: bool = False, location: str = "") -> None:
    """The clip, at the times of `TICKS`."""
    with av.open(str(path), "w", format="mov" if location else "mp4") as container:
        if location:
            container.metadata["location"] = location
        stream = container.add_stream("libx264", rate=30, options={"crf": "12", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90000)
        voice = container.add_stream("aac", rate=16000, layout="mono") if sound else None
        for number, tick in enumerate(TICKS):
            grey = picture(number)
            planes = np.concatenate([grey, np.full((HEIGHT // 2, WIDTH), 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts, frame.time_base = tick, Fraction(1, 90000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
        if voice is not None:
            for block in range(12):
                tone = np.sin(np.arange(1024) / 5.0)[None].astype(np.float32)
                audio = av.AudioFrame.from_ndarray(tone, format="fltp", layout="mono")
                audio.sample_rate, audio.pts = 16000, 1024 * block
                container.mux(voice.encode(audio))
            container.mux(voice.encode())


def angle_result(sha256: str, frame: int = 4, ramp: float = 26.57) -> dict[str, object]:
    """An angle reading whose ramp line is moved by some px from where it was marked."""
    result: dict[str, object] = {
        "frame": frame, "t_s": frame / 30, "clip_sha256": sha256,
        "fingerprint": "f0" * 32, "warnings": ["the board bows by 1 mm"],
        "lines": {
            "ramp": {"marked": [[80, 318, 560, 78]], "measured": [80, 310, 560, 70]},
            "plumb": {"marked": [[600, 40, 600, 300]], "measured": [601, 40, 600, 300]},
        },
    }  # fmt: skip
    for name, value, u in (("ramp", ramp, 0.281), ("chassis", ramp + 2, 0.302)):
        result |= {f"{name}_deg": value, f"{name}_u95_deg": u, f"{name}_low95_deg": value - u,
                   f"{name}_high95_deg": value + u}  # fmt: skip
    return result


def crawl_result(sha256: str, stood: float = 0.0) -> dict[str, object]:
    return {
        "frame": 0, "t_s": 0.0, "clip_sha256": sha256, "fingerprint": "f0" * 32, "warnings": [],
        "first_frame": 0, "last_frame": 19,
        "mean_speed_mm_s": 20.12, "mean_speed_u95_mm_s": 0.051, "mean_speed_low95_mm_s": 20.07,
        "mean_speed_high95_mm_s": 20.17, "ripple": 0.0812, "ripple_u95": 0.0123,
        "ripple_low95": 0.07, "ripple_high95": 0.094, "ripple_band_hz": [0.5, 5.0],
        "stalls": [], "stood_at_start_s": stood,
    }  # fmt: skip


def trace_table() -> pd.DataFrame:
    t = np.array(TICKS) / 90000
    return pd.DataFrame({"t_s": t, "s_mm": 20 * t, "v_mm_s": 20 + 3 * np.sin(6 * t),
                         "u_v_mm_s": 0.4, "frame": range(len(t)), "gap": ""})  # fmt: skip


def make_event(folder: Path, entries: list[str], *, sheet: str = SHEET) -> EventFolder:
    """An event with an angle attempt of each entry and a crawl of the first, all of one clip."""
    event = EventFolder.create(folder)
    (folder / "event.toml").write_text(sheet, encoding="utf-8")
    source = folder.parent / f"{folder.name}-source.mp4"
    write_clip(source)
    clip = event.add_clip(source)
    for number, entry in enumerate(entries):
        common = {
            "entry": entry, "clip": clip, "setup": "as entered", "called_by": "R. Brook",
            "span": {"first_frame": 0, "last_frame": 19, "first_t_s": 0.0,
                     "last_t_s": TICKS[-1] / 90000},
        }  # fmt: skip
        angle = angle_result(clip.sha256, ramp=30.0 + 0.1 * number)
        step = {"test": "board ladder", "step_deg": 30.0, "verdict": "cleared", "travel": "up"}
        event.save_attempt(
            common | step | {"readings": [{"measure": "angle", "result": angle}]}, by="Marsh"
        )
        if number:
            continue
        crawl = crawl_result(clip.sha256)
        line = event.save_attempt(
            common
            | {"test": "creep", "verdict": "cleared"}
            | {"readings": [{"measure": "crawl", "result": crawl}]},
            by="Marsh",
        )
        keep_trace(folder, line.id, crawl, trace_table(), chart=False)
    return event
