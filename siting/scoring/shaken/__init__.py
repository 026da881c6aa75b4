"""The trials: how the index would stand were the maps as far off as they may be."""
