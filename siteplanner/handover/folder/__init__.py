"""The plan's folder: whole or not at all."""
