"""The way from where one comes in to a spot."""
