"""``python -m seqrun``."""

from seqrun.cli import main

main()
