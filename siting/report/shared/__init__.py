"""What page, paper and files share."""
