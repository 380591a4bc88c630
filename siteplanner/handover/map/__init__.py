"""The interactive map."""
