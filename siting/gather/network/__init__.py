"""The network: one door, pieces of files, catalogues."""
