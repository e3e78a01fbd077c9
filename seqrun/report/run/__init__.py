"""One run: its page, the same in a terminal, live progress and the plan before it."""
