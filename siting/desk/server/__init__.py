"""What answers the browser."""
