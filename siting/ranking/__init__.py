"""From layers to ranked spots with their reasons, and from parcels to survey cells."""
