"""The nursery: from the plan's numbers back to seed, and the counts after planting."""
