"""Renders small clips with exactly known truth, for the demo and the tests."""
