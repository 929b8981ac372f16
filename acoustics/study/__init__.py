"""Questions over many runs: spacing, pool map, simulation."""
