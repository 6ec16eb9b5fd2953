"""The command line: one file a command; each parses, calls the floors below, and shows."""
