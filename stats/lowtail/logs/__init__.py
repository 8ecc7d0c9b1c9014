"""The break log and the force-time log become samples."""
