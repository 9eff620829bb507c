"""``clipmark footage``: what the file is, its timing, and what is odd about it."""

from __future__ import annotations

from clipmark.cli import options as opt
from clipmark.cli.located import located
from clipmark.cli.show import emit_json, progress_bar, table, warn
from clipmark.clip import open_clip
from clipmark.measure.footage import FootageReport, look_over


def run(clip: opt.ClipFile, true_fps: opt.TrueFps = None, as_json: opt.Json = False) -> None:
    """Say what a file is and what is odd about it, from one pass over all its pictures.

    Example: clipmark footage creep.mp4
    """
    with (
        located(clip),
        open_clip(clip, true_fps=true_fps) as footage,
        progress_bar("looking", quiet=as_json) as bar,
    ):
        task = bar.add_task("looking", total=footage.frame_count)
        report = look_over(footage, lambda done, _: bar.update(task, completed=done))
    if as_json:
        emit_json({"clip": clip.name, **report.to_dict()})
    else:
        _print(clip.name, report)


def _print(name: str, report: FootageReport) -> None:
    facts = report.facts
    rate, slowest, fastest = (
        facts[key] for key in ("median_rate_hz", "longest_interval_s", "shortest_interval_s")
    )
    depth = f"{facts['bit_depth']} bit, black {facts['black_level']}, white {facts['white_level']}"
    lost = _count(facts, "frames_missing") + _count(facts, "frames_damaged")
    rows = [
        ("picture, upright", f"{facts['width']} x {facts['height']} px"),
        ("pixel width to height", str(facts["pixel_aspect"])),
        ("depth", depth),
        ("frames", str(facts["frame_count"])),
        ("lasts", _number(facts["duration_s"], 3, "s")),
        ("frames per second, median", _number(rate, 3, "")),
        ("frame interval", f"{_number(fastest, 5, 's')} to {_number(slowest, 5, 's')}"),
        ("fastest change it can show", _number(facts["fastest_visible_hz"], 1, "Hz")),
        ("brightness", _number(facts["brightness"], 3, "of white")),
        ("noise per pixel", _number(facts["noise"], 4, "of white")),
        ("missing or damaged frames", str(lost)),
        ("frames that repeat the one before", str(facts["frames_repeated"])),
        ("SHA-256 of the file", str(facts["clip_sha256"])),
    ]
    table(name, ("what", "is"), rows, words=("is",))
    shown = [item["sentence"] for item in report.findings]
    if shown:
        table("Worth knowing", ("finding",), [(sentence,) for sentence in shown])
    warn([sentence for sentence in report.warnings if sentence not in shown])


def _number(value: object, places: int, unit: str) -> str:
    if not isinstance(value, (int, float)):
        return "not known"
    return f"{value:.{places}f} {unit}".rstrip()


def _count(facts: dict[str, object], name: str) -> int:
    value = facts[name]
    return value if isinstance(value, int) else 0
