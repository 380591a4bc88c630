"""How things look: colours, kinds of things and GIS styles, the same in every output."""
