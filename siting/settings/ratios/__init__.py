"""Where ratios come from besides their defaults: groups of animals, and comparing two by two."""
