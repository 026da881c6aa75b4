"""Files for phone, desktop GIS and survey office."""
