"""What each species stands, and how well it fits each cell."""
