"""May the model be believed: adequacy, outliers, pooling of batches."""
