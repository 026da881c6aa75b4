"""What people decided about places, and how a place keeps its name."""
