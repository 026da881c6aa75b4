"""Every sentence a reader sees."""
