"""The map page."""
