"""Layers of cold air and frost."""
