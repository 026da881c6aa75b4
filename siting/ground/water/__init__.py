"""Where water runs."""
