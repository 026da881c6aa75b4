"""What a batch leaves behind: tables, overview, record."""
