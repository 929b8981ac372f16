"""The questions as functions: `import acoustics` offers each by the name of the command that asks the same."""
