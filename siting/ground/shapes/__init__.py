"""Shapes of the land that channel movement: saddles, corners of woods, crossings."""
