"""Results as pictures; a module a command."""
