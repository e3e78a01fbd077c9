"""Many runs: trends of a unit, yield and spread of a model."""
