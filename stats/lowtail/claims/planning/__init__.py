"""How many more: claims, plans for a new series, plans after a few breaks."""
