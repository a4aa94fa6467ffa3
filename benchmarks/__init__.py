"""Speed ratios and published values, each printed by one command."""
