"""Ground of any size: layers of a catchment larger than memory, tile by tile."""
