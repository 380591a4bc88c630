"""Zones and blocks: which ground is planted alike."""
