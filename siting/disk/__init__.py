"""Writing files whole, and a folder for one run at a time."""
