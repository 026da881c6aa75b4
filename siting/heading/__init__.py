"""Which way a camera should look from each candidate: sun, view, the line animals follow."""
