"""Which species stand where, and how many."""
