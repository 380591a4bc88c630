"""The commands: they parse, call and print, and compute nothing."""
