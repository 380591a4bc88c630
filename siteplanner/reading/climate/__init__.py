"""Reads what is known of the climate."""
