"""Results as text for the terminal; a module a command."""
