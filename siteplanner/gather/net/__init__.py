"""The door to the network, and the rasters that are read through it."""
