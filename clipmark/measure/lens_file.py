"""Reading a lens calibration from its JSON file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from clipmark.errors import LensError
from clipmark.geometry.lens import Lens

LensSource = Lens | Mapping[str, object] | str | Path


def load_lens(source: LensSource) -> Lens:
    """Take a lens, its JSON form, or the path of a lens file.

    Raises
    ------
    LensError
        If the file cannot be read, is not JSON, or does not describe a lens.
    """
    if isinstance(source, Lens):
        return source
    if isinstance(source, Mapping):
        return Lens.from_dict(source)
    path = Path(source)
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LensError(
            f"the lens file {path.name} cannot be read ({error.strerror}); check its path"
        ) from error
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise LensError(
            f"the lens file {path.name} is not JSON; give a lens calibration file"
        ) from error
    try:
        return Lens.from_dict(data)
    except LensError as error:
        raise LensError(f"lens file {path.name}: {error}") from error
