"""Tables and plots."""
