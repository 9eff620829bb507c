"""What an operator can be told.

Every refusal is one sentence: what was wrong, with which file, frame or field, and what to
do. An option of the command line stands in brackets behind the thing it gives, as in "its length
(--scale-mm)", so that the page can leave it out. The rooms raise these; the edge (command line,
page) prints the sentence and exits with status 2. Each class is a builtin error too, so that a
caller of the Python API can catch the kind they already know.
"""


class ClipmarkError(Exception):
    """Base of every refusal; ``str(error)`` is the sentence shown to the operator."""


class FootageError(ClipmarkError, ValueError):
    """The file is not footage that can be measured (empty, sound only, damaged, ...)."""


class DecoderError(FootageError):
    """The native decoder crashed, hung or passed its limits on this file and was ended."""


class FrameError(ClipmarkError, IndexError):
    """The frame asked for is not in the clip, or its picture cannot be decoded."""


class MarkError(ClipmarkError, ValueError):
    """A line, point, patch or span was marked that cannot mean what it says."""


class FitError(ClipmarkError, ValueError):
    """The picture does not show what the mark says: no edge, no wheel, no texture."""


class LensError(ClipmarkError, ValueError):
    """A lens file is unreadable, or does not belong to this picture."""


class PlaneError(ClipmarkError, ValueError):
    """The plane of motion cannot be found from the sheet or lines given."""


class FollowError(ClipmarkError, ValueError):
    """Motion cannot be followed: patch lost, no texture, no times."""


class RecordError(ClipmarkError, ValueError):
    """The event folder, the journal or a record in it is not as it must be."""


class RevisionError(RecordError):
    """Somebody saved a newer revision of the same record first."""


class AuditError(ClipmarkError, ValueError):
    """A claim, a blind marking or a bundle of evidence cannot be audited as asked."""


class FolderError(ClipmarkError, OSError):
    """A folder or file cannot be read or written: rights, disk full, busy."""

    def __str__(self) -> str:
        """The sentence alone, not the ``[Errno]`` form that OSError would print."""
        return str(self.args[0]) if self.args else ""


class PageError(ClipmarkError, LookupError):
    """The page asked for something that the event does not have."""
