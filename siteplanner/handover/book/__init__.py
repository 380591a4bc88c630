"""The book of sheets that a crew takes along, and what goes with it."""
