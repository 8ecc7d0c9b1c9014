"""The break log: a grid of cells becomes one checked row a specimen."""
