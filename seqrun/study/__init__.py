"""Many simulated runs -> rates: how often an interval holds the truth, a decision errs."""
