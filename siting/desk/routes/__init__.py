"""Routes of the desk by what they are about: what came back, letters, last season."""
