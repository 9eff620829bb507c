"""Auditing a result: repeated, marked by a second person, ruled on, handed over as evidence."""
