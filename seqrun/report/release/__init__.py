"""The sheet for the owner."""
