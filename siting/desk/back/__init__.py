"""What comes back to the office: files of visits and sketches, matched and taken in."""
