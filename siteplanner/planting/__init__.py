"""From fit to trees: zones, patterns, mix, layout, counts."""
