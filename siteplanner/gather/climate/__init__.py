"""Climate: monthly means, and the coldest night of each winter."""
