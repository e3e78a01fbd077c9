"""Reports on a run: one HTML page for people and paper, the same in a terminal, live progress.

Everything here reads the record and decides nothing: what a reading is worth was said by the
judge, and stands in the record.
"""
