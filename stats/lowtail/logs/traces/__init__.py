"""Force-time logs: a file becomes a trace, a trace a peak with its uncertainty."""
