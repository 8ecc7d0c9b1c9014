"""May the model be believed: goodness of fit, outliers, pooling of batches."""
