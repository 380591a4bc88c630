"""Patterns: where trees stand."""
