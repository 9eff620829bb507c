"""Clip, marks and stand in; readings with uncertainty and provenance out."""
