"""Layers of the shape of the ground."""
