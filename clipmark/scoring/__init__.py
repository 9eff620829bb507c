"""Scoring: from the attempts to points, places, and how sure the places are."""
