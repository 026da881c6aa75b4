"""What the office keeps: its one file, its layers, its clock."""
