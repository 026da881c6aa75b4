"""How animals may travel over the land."""
