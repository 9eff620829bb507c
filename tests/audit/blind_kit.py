"""An event whose every name and number is distinctive, measured cheaply, for tests of blindness."""

import json
from pathlib import Path

from clipmark.clip import open_clip
from clipmark.marks import Line
from clipmark.measure.angle import measure_angle
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder
from clipmark.workbench import AttemptDetails, Declaration, save_reading, span_of

MEDIA = sample_media_folder()
ENTRIES = ("Zwergtaucher", "Quastenflosser", "Xylophagus")
SIGNER, CALLER = "Fellowsworth", "Ravenscroft"
FOLDER, CLIP, LENS = "kestrel-moor-weekend", "zwergtaucher-vormittag.mp4", "hyperion-lens.json"
TEST, NOTE = "brettleiter", "sapphire remark"
SPAN = (11, 33)  # of 42 frames
FRAME = 20


def marks() -> dict[str, list[float]]:
    """The sample's own marks of its climb; on any frame of it, for nothing but the hubs moves."""
    found = json.loads((MEDIA / "marks" / "siskin-climb.json").read_text(encoding="utf-8"))
    return {name: found[name] for name in ("ramp", "plumb")}


def make_event(folder: Path, attempts: int = 3) -> Path:
    """An event of some attempts on one clip, with an angle each."""
    path = folder / FOLDER
    clip_path = folder / CLIP
    clip_path.write_bytes((MEDIA / "siskin-climb.mp4").read_bytes())
    lens = folder / LENS
    lens.write_bytes((MEDIA / "lenses" / "harrier-wide.json").read_bytes())
    lines = {name: Line(*ends) for name, ends in marks().items()}
    with open_clip(clip_path) as clip:
        span = span_of(clip, *SPAN)
        result = measure_angle(
            clip,
            FRAME,
            ramp=lines["ramp"],
            plumb=lines["plumb"],
            lens=lens,
            square_within_deg=1.0,
            draws=400,
            budget_draws=200,
        ).to_dict()
    with EventFolder.create(path, name="Kestrel Moor Weekend") as event:
        for entry in ENTRIES[:attempts]:
            save_reading(
                event,
                clip_path,
                "angle",
                result,
                [(line, name) for name, line in lines.items()],
                AttemptDetails(
                    entry=entry, test=TEST, verdict="cleared", called_by=CALLER, note=NOTE
                ),
                SIGNER,
                span=span,
                declared=Declaration(lens=lens, square_within_deg=1.0),
            )
    return path
