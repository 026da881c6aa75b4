"""Vector layers: an OpenStreetMap extract, or any file by a mapping, to the layers of a region."""
