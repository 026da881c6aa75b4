"""The command line: options become one call."""
