"""Published formulas on plain arrays, SI units."""
