"""Reading rasters."""
