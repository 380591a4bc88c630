"""Layers of surface water."""
