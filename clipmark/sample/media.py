"""Where the committed sample media are: beside the package, or inside an installed one."""

from __future__ import annotations

from pathlib import Path

from clipmark.errors import FolderError

EVENT_FILE = "event.json"


def sample_media_folder() -> Path:
    """Folder with the sample event's clips, marks, truth and lenses.

    Raises
    ------
    FolderError
        If neither the installed package nor the repository beside it carries them.
    """
    here = Path(__file__).resolve().parent
    places = (here / "media", here.parent.parent / "sample_media")
    for place in places:
        if (place / EVENT_FILE).is_file():
            return place
    raise FolderError(
        f"the sample media are missing: no {EVENT_FILE} in {places[0]} or {places[1]}; "
        "install clipmark again, or make them with `python -m clipmark.sample.make FOLDER`"
    )
