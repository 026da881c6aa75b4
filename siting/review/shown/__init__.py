"""The pages and tables of a review."""
