"""What a volunteer drew, and the ground a sketch page shows."""
