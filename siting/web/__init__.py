"""Scripts, styles and templates of the pages."""
