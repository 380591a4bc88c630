"""Many properties planned together: sites on a cluster, what they share, one report."""
