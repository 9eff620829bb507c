"""What stands beside an attempt on the page: name and text, unknown ones left out."""

from __future__ import annotations

from pathlib import PurePosixPath

from clipmark.record.body_words import spoken
from clipmark.record.models import Attempt
from clipmark.report.figures import reading_facts
from clipmark.report.story import AttemptStory


def facts_of(story: AttemptStory, place: str = "", clip_file: str = "") -> list[tuple[str, str]]:
    """Names and texts, in a fixed order.

    Parameters
    ----------
    story : AttemptStory
    place : str
        Where the clip was filmed, if that is to be shown.
    clip_file : str
        Its annotated clip, seen from the page.
    """
    body, line = story.attempt, story.saved.line
    clip = f"{story.clip_name}, SHA-256 {story.clip_sha256}" if story.clip_name else ""
    facts = [
        ("conditions", story.conditions),
        ("calls", story.calls),
        ("progress", f"{body.progress:g}" if body.progress is not None else ""),
        ("penalties", f"{body.penalties:g}" if body.penalties is not None else ""),
        ("stalls", story.stalls),
        ("grade", f"{body.grade:g}" if body.grade is not None else ""),
        ("proposed by software", _proposed(body)),
        *(
            fact
            for reading in body.readings
            for fact in reading_facts(reading.measure, reading.result)
        ),
        ("marked by", body.marked_by if body.marked_by != story.called_by else ""),
        ("note", body.note),
        ("clip", clip),
        ("further clips", ", ".join(PurePosixPath(f.clip.path).name for f in body.further_clips)),
        ("filmed at", place),
        ("frames", _frames(body)),
        ("annotated clip", f"{clip_file}, beside this page" if clip_file else ""),
        (
            "attempt",
            f"{story.id}, revision {story.saved.revision}, journal line {line.seq}, SHA-256 "
            f"{line.sha256}",
        ),
    ]
    return [(name, told) for name, told in facts if told]


def _proposed(body: Attempt) -> str:
    if body.proposal is None:
        return ""
    reason = f", {spoken(body.proposal.reason)}" if body.proposal.reason else ""
    return f"{body.proposal.proposed}{reason}"


def _frames(body: Attempt) -> str:
    span = body.span
    if span is None:
        return ""
    shown = f"{span.first_frame} to {span.last_frame}"
    if span.first_t_s is None or span.last_t_s is None:
        return shown
    return f"{shown} ({span.first_t_s:.3f} s to {span.last_t_s:.3f} s)"
