"""Speed and memory, each figure as a ratio against a named reference in the same run."""
