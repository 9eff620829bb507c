"""Recorded clips: index, exact frames, time, rotation, pixel aspect, health of the file."""
