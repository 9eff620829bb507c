"""clipmark: angles and low-speed motion of small crawlers, measured from recorded clips.

Image positions are px of the upright picture, centre of the top-left pixel at (0, 0), x right,
y down. Angles are degrees, lengths mm, times s.
"""

from typing import TYPE_CHECKING

__version__ = "0.1.0"
__all__ = [
    "Sheet",
    "Tags",
    "__version__",
    "calibrate_lens",
    "find_attempts",
    "lens_from_lines",
    "measure_angle",
    "measure_climb",
    "measure_crawl",
    "measure_tilt",
    "open_clip",
    "score_event",
]

if TYPE_CHECKING:
    from clipmark.clip import open_clip
    from clipmark.marks import Sheet
    from clipmark.measure.angle import measure_angle
    from clipmark.measure.attempts_found import find_attempts
    from clipmark.measure.climb import measure_climb
    from clipmark.measure.crawl import measure_crawl
    from clipmark.measure.lens_calibrate import calibrate_lens
    from clipmark.measure.lens_lines import lens_from_lines
    from clipmark.measure.tags import Tags
    from clipmark.measure.tilt import measure_tilt
    from clipmark.scoring.score import score_event

_HOMES = {
    "open_clip": "clipmark.clip",
    "find_attempts": "clipmark.measure.attempts_found",
    "measure_angle": "clipmark.measure.angle",
    "measure_climb": "clipmark.measure.climb",
    "measure_crawl": "clipmark.measure.crawl",
    "measure_tilt": "clipmark.measure.tilt",
    "calibrate_lens": "clipmark.measure.lens_calibrate",
    "lens_from_lines": "clipmark.measure.lens_lines",
    "Sheet": "clipmark.marks",
    "Tags": "clipmark.measure.tags",
    "score_event": "clipmark.scoring.score",
}


def __getattr__(name: str) -> object:
    """Load a part of the API when it is first used: the command line starts faster."""
    if name not in _HOMES:
        raise AttributeError(f"module 'clipmark' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
