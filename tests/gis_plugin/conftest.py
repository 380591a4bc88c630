"""What is not a module of tests here."""

collect_ignore = ["in_the_gis.py"]  # run by the desktop GIS's own Python
