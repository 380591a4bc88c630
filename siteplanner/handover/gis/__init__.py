"""Files for a GIS and for handhelds."""
