"""Layers of soil and its water."""
