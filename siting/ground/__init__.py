"""What the ground is like at every cell: arrays in, arrays out, no file touched."""
