"""Reading vector layers, outlines and visit files."""
