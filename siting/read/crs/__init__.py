"""Coordinate systems, datums, projections."""
