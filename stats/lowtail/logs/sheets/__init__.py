"""From a file to a grid of cells: workbooks and text files, their marks, and what guards against hostile ones."""
