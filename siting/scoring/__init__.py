"""Scores of every cell, the places that come of them, and how sure their order is."""
