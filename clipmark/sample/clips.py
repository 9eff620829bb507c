"""`render_clip`: a scene in, a video file and its truth out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from clipmark.errors import FolderError
from clipmark.sample.encode import Planes, write_clip
from clipmark.sample.render import Renderer
from clipmark.sample.scene import Scene
from clipmark.sample.truth import Truth, file_sha256, scene_truth


def render_clip(scene: Scene, path: str | Path, reference_frame: int = 0) -> Truth:
    """Render and encode a scene.

    Parameters
    ----------
    scene : Scene
        What to show; places left open are filled in as `Scene.settled` does.
    path : str or Path
        The MP4 file to write; its folder must exist.
    reference_frame : int
        The frame whose positions stand at the top of the truth.

    Returns
    -------
    dict
        As `scene_truth`, with ``clip`` (file name) and ``clip_sha256``.

    Raises
    ------
    FolderError
        If the file cannot be written.
    FootageError
        If the scene cannot be shown or encoded.
    """
    path = Path(path)
    if not path.parent.is_dir():
        raise FolderError(
            f"the folder {path.parent} for the clip {path.name} does not exist; make it first"
        )
    renderer = Renderer(scene)
    write_clip(renderer.scene, _frames(renderer), path)
    truth = scene_truth(renderer.scene, reference_frame)
    return {"clip": path.name, "clip_sha256": file_sha256(path), **truth}


def _frames(renderer: Renderer) -> Iterator[Planes]:
    for k in range(len(renderer)):
        yield renderer.frame(k)
