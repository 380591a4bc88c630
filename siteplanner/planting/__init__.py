"""From suitability to trees: zones, patterns, mix, layout, counts."""
