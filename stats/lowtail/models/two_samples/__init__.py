"""Two samples: tests and distributions of their difference."""
