"""Reads what the user supplied: geodata, tables and the DEM, checked and in the working CRS."""
