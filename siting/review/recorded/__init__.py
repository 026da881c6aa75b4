"""What the cameras recorded: packages and tables as a season, and a season as rows."""
