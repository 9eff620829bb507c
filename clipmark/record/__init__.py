"""Models, event folder, journal, attempts file."""
