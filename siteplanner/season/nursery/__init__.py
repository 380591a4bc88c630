"""From the order back to the seed."""
