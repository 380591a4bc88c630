"""What each cell is like: layers, one module a subject, and the resolver that orders them."""
