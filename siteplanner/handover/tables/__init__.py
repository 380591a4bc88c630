"""Tables and the calendar."""
