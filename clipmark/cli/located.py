"""Adding file and frame to a refusal: the rooms do not know where their numbers came from."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from clipmark.errors import ClipmarkError, FolderError, RecordError


@contextmanager
def located(path: Path, frame: int | None = None) -> Iterator[None]:
    """Put the file's name, and the frame if given, before the sentence of any refusal inside."""
    try:
        yield
    except (FolderError, RecordError):
        raise
    except ClipmarkError as error:
        sentence = str(error)
        if path.name and path.name in sentence:
            raise
        where = path.name if frame is None else f"{path.name}, frame {frame}"
        raise type(error)(f"{where}: {sentence}") from error
