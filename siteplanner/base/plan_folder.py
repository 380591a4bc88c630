"""What a plan's folder is known by."""

#: The file that makes a folder a plan: it lists the plan's files.
MANIFEST = "plan.json"
#: The file that people open in a GIS, where it is edited by one click.
FEATURES = "plan.gpkg"
#: The project that a desktop GIS opens with all of the plan drawn.
PROJECT = "plan.qgz"
