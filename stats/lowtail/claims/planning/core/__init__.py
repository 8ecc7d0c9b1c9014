"""What every plan shares: claim, simulated populations and series, judge, trials, answer."""
