"""Results that need not be worked out again: between runs on the disk, between plans in memory."""
