"""What every wing shares: checks of arguments, rounding, seeds and workers, the record of an answer."""
