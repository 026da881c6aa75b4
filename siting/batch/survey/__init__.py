"""Which spots a survey takes, and its letters."""
