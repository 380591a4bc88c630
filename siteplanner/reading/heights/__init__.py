"""What heights are worth: how wide the DEM's own cells are, which heights are none, its edges."""
