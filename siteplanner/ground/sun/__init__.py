"""Layers of sunlight, and evapotranspiration."""
