"""The report: one self-contained page for a design review."""
