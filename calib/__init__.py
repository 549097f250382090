"""calib: what a camera's numbers mean, and how well it sees."""
