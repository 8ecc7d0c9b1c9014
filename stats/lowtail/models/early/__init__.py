"""What is done where specimens held early: calibration by simulation."""
