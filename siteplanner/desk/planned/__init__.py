"""The plan on the page: what it has, what became of its blocks, and damage seen in them."""
