"""A new site and the starter lists of species."""
