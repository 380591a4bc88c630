"""What each species thinks of each cell."""
