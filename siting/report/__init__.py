"""The door out: everything a result is written to."""
