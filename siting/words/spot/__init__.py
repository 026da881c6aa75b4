"""Sentences about a place: what speaks for it, its view, its name."""
