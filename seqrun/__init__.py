"""seqrun: declarative acceptance tests for repaired audio amplifiers."""

__version__ = "0.1.0"
