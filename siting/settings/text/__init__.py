"""The text of settings: TOML that is read and written, and what is wrong with it in words."""
