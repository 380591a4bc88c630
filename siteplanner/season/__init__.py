"""Works, years, frost and nursery: when things are done."""
