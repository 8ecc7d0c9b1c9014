"""How strong, at the low end: bounds, the roads to them, ratings, the table."""
