"""Fetches open data about a property from its boundary, and writes them as ordinary files."""
