"""The plugin for a desktop GIS: its sources, and the zip that the GIS installs.

What lies in ``source/`` is run by the GIS's own Python, which has no siteplanner: it uses the
standard library and the GIS alone, and calls siteplanner's command line in a process.
"""
