"""What the worker does for the desk beside reading files: scoring, choosing, reviewing."""
