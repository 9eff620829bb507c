"""A defect of clipmark itself: its details go into a file, and an operator gets one sentence."""

from __future__ import annotations

import traceback
from pathlib import Path

import platformdirs

from clipmark import __version__


def keep(doing: str, error: BaseException) -> str:
    """Keep the details of the last defect in the user's log folder; a sentence for people.

    Parameters
    ----------
    doing : str
        The verb, request or measurement that met it.
    error : BaseException
    """
    where = Path(platformdirs.user_log_dir("clipmark")) / "defect.txt"
    details = "".join(traceback.format_exception(error))
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_text(f"clipmark {__version__}\n{doing}\n{details}", encoding="utf-8")
        told = f"details are in {where}"
    except OSError:
        told = "and its details could not be written to a file"
    return f"this is a defect of clipmark, not of your input ({type(error).__name__}); {told}"
