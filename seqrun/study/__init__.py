"""Many simulated runs -> rates: how often an interval holds the truth, how often a decision errs."""
