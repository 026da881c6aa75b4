"""What a season may hide: patterns, cameras and counts that would mislead, each with its note."""
