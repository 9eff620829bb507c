"""Results of an event, repeated from its journal and its clips."""

from __future__ import annotations

from clipmark.audit.reading_replay import ReadingReplay, replay_readings

__all__ = ["ReadingReplay", "replay_readings"]
