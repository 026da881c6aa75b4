"""The desk: a local page over one office folder, from a sign-up to a placed camera."""
