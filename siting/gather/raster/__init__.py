"""Rasters: windows of files near and far, joined on the lattice they were made on."""
