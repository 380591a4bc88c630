"""Opens any one file: features, tables, rasters, archives."""
